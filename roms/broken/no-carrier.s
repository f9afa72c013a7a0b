; A modem driver waits for carrier, bit 3 of RR0, before it says anything.
        .include "zoo.inc"
        .text
start:  ld hl, setup
        ld bc, (setup_end - setup) << 8 | SIO_A_CONTROL
        otir
wait:   ld a, 0x10                      ; reset external/status, so that RR0 is fresh
        out (SIO_A_CONTROL), a
        in a, (SIO_A_CONTROL)
        and 0x08
        jr z, wait
        ld a, 'C'
        out (SIO_A_DATA), a
done:   in a, (SIO_A_CONTROL)
        rrca
        jr nc, done
        in a, (SIO_A_DATA)
        jr done
setup:  .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA
setup_end:
