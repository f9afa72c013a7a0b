; Waits for the seconds of a parallel clock to move. With HOLD the hold bit stays set.
        .equ S1,0x90
        .equ CD,0x9D
        .text
start:  ld sp,0
        call console_on
        .ifdef HOLD
        ld a,1
        out (CD),a
        .endif
        in a,(S1)
        ld c,a
wait:   in a,(S1)
        cp c
        jr z,wait
        jp echo
