; Squares are summed by a routine that calls itself; its stack grows down to where a chip of 2 KiB
; shows the variables again.
        .equ acia,0x30
        .text
start:  di
        ld sp,0xA000
        ld a,3
        out (acia),a
        ld a,0x15
        out (acia),a
        ld hl,sum
        ld b,4
clear:  ld (hl),0
        inc hl
        djnz clear
        ld a,0x5A
        ld (sound),a
        ld b,250                ; some 1,000 bytes of stack
        call add
        ld b,250
        ld de,-0x700            ; further down, as a larger table would have it
        ld hl,0
        add hl,sp
        ld (kept),sp
        add hl,de
        ld sp,hl
        call add
        ld sp,(kept)
        ld a,(sound)
        cp 0x5A
        jr nz,spoilt
        ld hl,text
show:   ld a,(hl)
        or a
        jr z,end
        call put
        inc hl
        jr show
end:    jr end
spoilt: di
        halt
put:    push af
wait:   in a,(acia)
        and 2
        jr z,wait
        pop af
        out (acia+1),a
        ret
add:    push bc
        ld hl,(sum)
        ld c,b
        ld b,0
        add hl,bc
        ld (sum),hl
        pop bc
        djnz deeper
        ret
deeper: push bc
        call add
        pop bc
        ret
text:   .asciz "\r\nsummed\r\n"
        .bss
sum:    .ds 2
sound:  .ds 1
kept:   .ds 2
