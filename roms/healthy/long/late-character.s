; Says nothing for two seconds while the gauge warms up, then shows its prompt.
        .include "../../broken/common/zoo.inc"
        .text
start:  ld sp, 0
        ld hl, setup
        ld bc, (setup_end - setup) << 8 | SIO_A_CONTROL
        otir
        ld c, 5
1:      ld de, 0
2:      dec de
        ld a, d
        or e
        jr nz, 2b
        dec c
        jr nz, 1b
        ld a, '>'
        out (SIO_A_DATA), a
wait:   in a, (SIO_A_CONTROL)
        rrca
        jr nc, wait
        in a, (SIO_A_DATA)
        out (SIO_A_DATA), a
        jr wait
setup:  .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA
setup_end:
