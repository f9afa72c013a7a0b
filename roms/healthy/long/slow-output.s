; Types a long table at 110 baud, waiting for the transmitter all the time.
        .include "../../broken/common/zoo.inc"
        .text
start:  ld sp, 0
        ld hl, setup
        ld bc, (setup_end - setup) << 8 | SIO_A_CONTROL
        otir
line:   ld b, 26
        ld c, 'A'
1:      in a, (SIO_A_CONTROL)
        and 4
        jr z, 1b
        ld a, c
        out (SIO_A_DATA), a
        inc c
        djnz 1b
        jr line
setup:  .byte 0x18, 4, 0xC4, 3, 0xC1, 5, 0xEA
setup_end:
