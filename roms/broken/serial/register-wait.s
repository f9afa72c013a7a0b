; Mode 1: the receive handler leaves the key in the alternate registers, and the foreground
; looks at B' until it is set. With RX_OFF the serial chip's receive interrupt is never enabled.
        .equ acia,0x30
        .text
start:  di
        ld sp,0
        jr boot
        .org 0x38
        ex af,af'
        exx
        in a,(acia+1)
        ld c,a
        ld b,1
        exx
        ex af,af'
        ei
        reti
boot:   im 1
        ld a,3
        out (acia),a
        .ifdef RX_OFF
        ld a,0x15
        .else
        ld a,0x95
        .endif
        out (acia),a
        exx
        ld b,0
        exx
        ei
        ld a,'?'
        out (acia+1),a
wait:   exx
        ld a,b
        exx
        or a
        jr z,wait
        di
        exx
        ld b,0
        ld a,c
        exx
        ei
        ld d,a
full:   in a,(acia)
        and 2
        jr z,full
        ld a,d
        out (acia+1),a
        jr wait
