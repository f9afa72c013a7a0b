; Looks for its timer before it goes on; without one it says so and stops in a loop on purpose.
        .equ acia,0x30
        .equ ctc,0x28
        .text
start:  di
        ld sp,0
        ld a,3
        out (acia),a
        ld a,0x15
        out (acia),a
        ld a,0x07               ; timer, by 16, constant follows
        out (ctc),a
        ld a,200
        out (ctc),a
        in a,(ctc)
        ld d,a
        ld b,100
beat:   djnz beat
        in a,(ctc)
        cp d
        jr z,dead
        ld hl,ready
        call print
key:    in a,(acia)
        rra
        jr nc,key
        in a,(acia+1)
        out (acia+1),a
        jr key
dead:   ld hl,sorry
        call print
        .ifdef HALTS
        halt
        .endif
stop:   jr stop
print:  ld a,(hl)
        or a
        ret z
        ld c,a
full:   in a,(acia)
        and 2
        jr z,full
        ld a,c
        out (acia+1),a
        inc hl
        jr print
ready:  .asciz "ready> "
sorry:  .asciz "no timer\r\n"
