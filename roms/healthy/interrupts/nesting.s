; A slow tick handler lets the receiver interrupt it: EI at its beginning, RETI at its end.
        .include "../../broken/common/zoo.inc"
        .text
start:  ld sp, stack_top
        ld hl, setup
        ld bc, (setup_end - setup) << 8 | SIO_A_CONTROL
        otir
        ld a, 2
        out (SIO_B_CONTROL), a
        ld a, VEC_SIO
        out (SIO_B_CONTROL), a
        xor a
        ld (key), a
        ld a, table >> 8
        ld i, a
        im 2
        ld a, VEC_CTC
        out (CTC_0), a
        ld a, 0xA7
        out (CTC_0), a
        ld a, 156
        out (CTC_0), a
        ei
wait:   halt
        ld a, (key)
        or a
        jr z, wait
        out (SIO_A_DATA), a
        xor a
        ld (key), a
        jr wait
tick_isr:
        ei
        push af
        push bc
        ld bc, 800
1:      dec bc
        ld a, b
        or c
        jr nz, 1b
        pop bc
        pop af
        reti
receive_isr:
        push af
        in a, (SIO_A_DATA)
        ld (key), a
        pop af
        ei
        reti
setup:  .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0x18
setup_end:
        .balign 256
table:  .ds VEC_CTC, 0
        .word tick_isr
        .ds VEC_SIO - VEC_CTC - 2, 0
        .word receive_isr
        .bss
key:    .ds 1
        .ds 96
stack_top:
