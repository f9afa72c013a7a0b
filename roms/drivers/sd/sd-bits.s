; An SD card bit by bit: bits 0 (DI), 1 (CLK) and 2 (CS) of port 68h, DO in bit 7 of a read.
; What is assembled with a define leaves out what its name says; the zoo's machines do so.
        .equ PORT,0x68
        .equ DI,1
        .equ CLK,2
        .equ CS,4
        .ifdef SHORT
        .equ ANSWER_TRIES,2
        .else
        .equ ANSWER_TRIES,9
        .endif
        .global begin, read_block, write_block, block
        .text
; Bring the card to where it takes everything; carry set when it does not come.
begin:
        .ifndef NO_WARM_UP
        ld b,10                         ; eighty clocks with CS and DI high
1:      call clocks_high
        djnz 1b
        .endif
        ld b,20                         ; tries of CMD0
2:      push bc
        ld hl,cmd0
        call single
        pop bc
        dec a
        jr z,3f
        djnz 2b
        scf
        ret
3:
        .ifndef NO_CMD8
        ld hl,cmd8
        call with_four
        .endif
        ld bc,500                       ; of ACMD41
4:      push bc
        .ifndef NO_CMD55
        ld hl,cmd55
        call single
        .endif
        ld hl,cmd41
        call single
        pop bc
        or a
        jr z,5f
        dec bc
        ld a,b
        or c
        jr nz,4b
        scf
        ret
5:      ld hl,cmd58
        call with_four
        .ifdef NO_CCS
        ld a,0x40
        .else
        ld a,(four)                     ; CCS: blocks are counted, not bytes
        and 0x40
        .endif
        ld (by_blocks),a
        or a
        ret
; A command with CS low and high again; A = R1.
single: call select
        call command
; CS high, and eight clocks so that the card lets DO go; keeps A.
release:
        push af
        ld a,CS+DI
        out (PORT),a
        pop af
        .ifndef NO_WARM_UP
clocks_high:
        push af
        push bc
        ld b,8
1:      ld a,CS+DI+CLK
        out (PORT),a
        ld a,CS+DI
        out (PORT),a
        djnz 1b
        pop bc
        pop af
        .endif
        ret
; The same, and the four bytes behind R1 to `four`.
with_four:
        call select
        call command
        ld hl,four
        ld b,4
1:      call get
        ld (hl),a
        inc hl
        djnz 1b
        jr release
select: ld a,DI
        out (PORT),a
        ret
; Send the six bytes at HL, then clock bytes until one has bit 7 = 0; A = R1, or FFh.
command:
        ld b,6
1:      ld a,(hl)
        inc hl
        call put
        djnz 1b
        ld b,ANSWER_TRIES
2:      call get
        bit 7,a
        ret z
        djnz 2b
        ret
; Clock a byte in: A.
get:    ld a,0xFF
; Send A, the highest bit first; A = what came.
put:    push bc
        ld c,a
        ld b,8
1:      sla c
        ld a,0
        rla                             ; DI
        out (PORT),a
        or CLK
        out (PORT),a
        in a,(PORT)
        rla
        jr nc,2f
        inc c
2:      djnz 1b
        ld a,DI
        out (PORT),a
        ld a,c
        pop bc
        ret
; Begin command A with the address of block HL; A = R1.
address:
        ld de,frame
        ld (de),a
        inc de
        ld a,(by_blocks)
        or a
        jr z,1f
        xor a                           ; 00 00 high low
        ld (de),a
        inc de
        ld (de),a
        inc de
        ld a,h
        ld (de),a
        inc de
        ld a,l
        ld (de),a
        jr 2f
1:      add hl,hl                       ; the number times 512: 00 high low 00
        xor a
        ld (de),a
        inc de
        ld a,h
        ld (de),a
        inc de
        ld a,l
        ld (de),a
        inc de
        xor a
        ld (de),a
2:      inc de
        ld a,0xFF
        ld (de),a
        call select
        ld hl,frame
        jr command
; Read block HL to `block`; carry set when it does not come.
read_block:
        ld a,0x51
        call address
        or a
        jr nz,bad
        ld de,1000                      ; of the token
1:      call get
        cp 0xFE
        jr z,2f
        inc a
        jr nz,bad
        dec de
        ld a,d
        or e
        jr nz,1b
        jr bad
2:      ld hl,block
        ld de,512
3:      call get
        ld (hl),a
        inc hl
        dec de
        ld a,d
        or e
        jr nz,3b
        call get                        ; the CRC
        call get
good:   call release
        or a
        ret
bad:    call release
        scf
        ret
; Write `block` to block HL; carry set when the card does not take it.
write_block:
        ld a,0x58
        call address
        or a
        jr nz,bad
        call get
        .ifndef NO_TOKEN
        ld a,0xFE
        call put
        .endif
        ld hl,block
        ld de,512
1:      ld a,(hl)
        inc hl
        call put
        dec de
        ld a,d
        or e
        jr nz,1b
        call get
        call get
2:      call get                        ; the data response
        ld c,a
        and 0x11
        dec a
        jr nz,2b
        ld a,c
        and 0x1F
        cp 5
        jr nz,bad
        .ifndef NO_WAIT
3:      call get
        inc a
        jr nz,3b
        .endif
        jr good
cmd0:   .byte 0x40,0,0,0,0,0x95
cmd8:   .byte 0x48,0,0,1,0xAA,0x87
cmd41:  .byte 0x69,0x40,0,0,0,0x77
cmd55:  .byte 0x77,0,0,0,0,0x65
cmd58:  .byte 0x7A,0,0,0,0,0xFD
        .bss
        .comm frame,6
        .comm four,4
        .comm by_blocks,1
        .balign 1024
block:  .space 512
