; Two desks on one chip, both polled: channel B has a terminal of its own, each line typed at one is
; shown at the other.
        .include "bench/bench.inc"
        .text
        ld sp, 0xFF00
        serial_on
        ld hl, setup
        ld bc, 7 << 8 | SIO_BC
        otir
        ld hl, hello
        call puts
again:  in a, (SIO_AC)
        rrca
        jr nc, 1f
        in a, (SIO_AD)
        ld c, a
2:      in a, (SIO_BC)
        and 4
        jr z, 2b
        ld a, c
        out (SIO_BD), a
1:      in a, (SIO_BC)
        rrca
        jr nc, again
        in a, (SIO_BD)
        call putc
        jr again
setup:  .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA
        .include "bench/text.inc"
hello:  .asciz "two desks\r\n"
