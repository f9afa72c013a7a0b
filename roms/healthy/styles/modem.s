; Waits for a call: DCD of the ACIA is inactive until the modem answers; until then every second a
; look at the line, and a dot at the desk for each minute.
        .include "bench/bench.inc"
        .text
        ld sp, 0xFF00
        serial_on
        ld a, 3
        out (ACIA_C), a
        ld a, 0x15
        out (ACIA_C), a
        ld hl, hello
        call puts
again:  ld c, 60
1:      ld de, 0xFFFF
2:      dec de
        ld a, d
        or e
        jr nz, 2b
        in a, (ACIA_C)
        and 4
        jr z, called
        in a, (ACIA_D)          ; lets DCD's memory go
        dec c
        jr nz, 1b
        ld a, '.'
        call putc
        jr again
called: ld hl, ring
        call puts
        jr again
        .include "bench/text.inc"
hello:  .asciz "waiting for a call\r\n"
ring:   .asciz "carrier\r\n"
