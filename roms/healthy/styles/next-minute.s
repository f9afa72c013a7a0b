; Prints the time at every full minute of the calendar chip, and waits in between.
        .include "bench/bench.inc"
        .equ CLOCK, 0xB0
        .text
        ld sp, 0x9000
        serial_on
        xor a
        out (CLOCK+13), a
        ld a, 4                 ; 24 hours, running
        out (CLOCK+15), a
        ld hl, hello
        call puts
        call minute
        ld d, a
wait:   call minute
        cp d
        jr z, wait
        ld d, a
        call hour
        call hex8
        ld a, ':'
        call putc
        ld a, d
        call hex8
        call newline
        jr wait
minute: ld c, CLOCK+3
        jr pair
hour:   ld c, CLOCK+5
pair:   in a, (c)
        and 15
        rlca
        rlca
        rlca
        rlca
        ld b, a
        dec c
        in a, (c)
        and 15
        or b
        bit 0, c
        ret
        .include "bench/text.inc"
hello:  .asciz "waiting for the next minute\r\n"
