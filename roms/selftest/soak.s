; Instruction soak: programs that come of chance, run and summed up, pass after pass.
;
; A chapter is a row of `chapters`: the number its chances start from, and the sum that all its
; blocks must come to. A block is UNITS units of code (units.s) with random instructions; it runs
; RUNS times, each run from the registers and the memory that the last one left; then all
; registers and the ground (the memory that a block may touch) go into the chapter's sum.
        .include "soak.inc"
        .equ passes,200
        .text
        .global start, enter, block, saved, saved_end, ground, state, prefix
start:  ld hl,restarts                  ; what RST and CALL find
        ld de,8
        ld bc,restarts_end - restarts
        ldir
        ld hl,title
        call print
        ld hl,passes
        ld (passes_left),hl
        ld hl,0
        ld (differ),hl
pass:   ld ix,chapters
        ld b,CHAPTERS
chapter:
        push bc
        push ix
        call work
        pop ix
        pop bc
        call compare
        ld de,8
        add ix,de
        djnz chapter
        ld a,'.'
        call put
        ld hl,(passes_left)
        dec hl
        ld (passes_left),hl
        ld a,l
        and 63
        ld de,line_end
        ex de,hl
        call z,print
        ex de,hl
        ld a,h
        or l
        jr nz,pass
        ld hl,done
        call print
        ld hl,(differ)
        call print_word
        ld hl,done_end
        call print
        jp end

; --- a chapter ------------------------------------------------------------------------------
; Work through the chapter at IX: its sum in `sum`.
work:   ld l,(ix)
        ld h,(ix + 1)
        ld e,(ix + 2)
        ld d,(ix + 3)
        ld (state),hl
        ld (state + 2),de
        ld ix,ground
        ld bc,GROUND
        call scatter
        ld ix,saved
        ld bc,SAVED
        call scatter
        ld hl,0
        ld (sum),hl
        ld (sum + 2),hl
        ld b,BLOCKS
one:    push bc
        call make_block
        ld b,RUNS
again:  push bc
        call enter
        pop bc
        djnz again
        ld hl,saved
        ld b,SAVED / 2
        call add_up
        ld hl,ground
        ld b,GROUND / 2
        call add_up
        pop bc
        djnz one
        ret

; Fill BC bytes from IX on with chances.
scatter:
        push bc
        call draw
        call emit
        pop bc
        dec bc
        ld a,b
        or c
        jr nz,scatter
        ret

; Add B words from HL on to the sum: its low word turns left by a bit and takes each word, its
; high word takes the low one.
add_up: ld a,b
        exx
        ld b,a
        exx
        ld (own_sp),sp
        ld sp,hl
        ld hl,(sum)
        ld de,(sum + 2)
word:   add hl,hl
        jr nc,turned
        inc l
turned: pop bc
        add hl,bc
        ex de,hl
        add hl,de
        ex de,hl
        exx
        dec b
        exx
        jr nz,word
        ld (sum),hl
        ld (sum + 2),de
        ld sp,(own_sp)
        ret

; Hold the sum against the one in the chapter at IX, and say so where they differ.
compare:
        ld a,(ix + 4)
        ld hl,sum
        cp (hl)
        jr nz,other
        inc hl
        ld a,(ix + 5)
        cp (hl)
        jr nz,other
        inc hl
        ld a,(ix + 6)
        cp (hl)
        jr nz,other
        inc hl
        ld a,(ix + 7)
        cp (hl)
        ret z
other:  push bc
        ld hl,(differ)
        inc hl
        ld (differ),hl
        ld hl,chapter_of
        call print
        ld h,(ix + 3)
        ld l,(ix + 2)
        call print_word
        ld h,(ix + 1)
        ld l,(ix)
        call print_word
        ld hl,came_to
        call print
        ld hl,(sum + 2)
        call print_word
        ld hl,(sum)
        call print_word
        ld hl,instead_of
        call print
        ld h,(ix + 7)
        ld l,(ix + 6)
        call print_word
        ld h,(ix + 5)
        ld l,(ix + 4)
        call print_word
        ld hl,line_end
        call print
        pop bc
        ret

; --- a run ----------------------------------------------------------------------------------
; Take all registers from `saved` (SP always the ground's middle), run the block, put them back.
enter:  di
        ld (own_sp),sp
        ld sp,saved + 2                 ; the first word takes SP and is not loaded
        pop bc
        ld a,b
        ld i,a
        pop bc
        ld a,b
        ld r,a
        pop af
        pop bc
        pop de
        pop hl
        ex af,af'
        exx
        pop iy
        pop ix
        pop hl
        pop de
        pop bc
        pop af
        ld sp,MIDDLE
        jp block

; The block's last instruction jumps here.
leave:  di
        ld (saved),sp
        ld sp,saved_end
        push af
        push bc
        push de
        push hl
        push ix
        push iy
        exx
        ex af,af'
        push hl
        push de
        push bc
        push af
        ld a,r
        push af
        ld a,i
        push af
        ld sp,(own_sp)
        ret
        .global leave

; --- printing -------------------------------------------------------------------------------
print_word:
        ld a,h
        call print_byte
        ld a,l
print_byte:
        push af
        rrca
        rrca
        rrca
        rrca
        call nibble
        pop af
nibble: and 15
        add a,'0'
        cp '9' + 1
        jp c,put
        add a,'A' - '9' - 1
        jp put

title:  .asciz "Instruction soak\r\n"
done:   .asciz "Soak done, "
done_end: .asciz "h sums differ\r\n"
chapter_of: .asciz "\r\nchapter "
came_to: .asciz " came to "
instead_of: .asciz " instead of "
line_end: .asciz "\r\n"

; Eight bytes for each of RST 08h to RST 38h.
        .balign 8
restarts:
        inc a
        ret
        .balign 8
        dec b
        ret nz
        ex de,hl
        ret po
        exx
        ret
        .balign 8
        ret c
        rla
        ret m
        ex af,af'
        ret
        .balign 8
        ex (sp),hl
        inc d
        ex (sp),hl
        ret pe
        xor c
        ret p
        ret
        .balign 8
        ld c,h
        .db 0xED,0x4D                   ; RETI
        .balign 8
        cpl
        ei
        .db 0xED,0x45                   ; RETN
        .balign 8
        ret z
        pop ix
        .db 0xDD,0xE9                   ; JP (IX)
        .balign 8
restarts_end:

        .bss
own_sp: .space 2
passes_left: .space 2
differ: .space 2
sum:    .space 4
state:  .space 4
prefix: .space 1                        ; 0, DDh or FDh: of the unit that is being made
saved:  .space SAVED                    ; SP I R AF' BC' DE' HL' IY IX HL DE BC AF, a word each
saved_end:
        .balign 256
ground: .space GROUND
block:  .space 1024
