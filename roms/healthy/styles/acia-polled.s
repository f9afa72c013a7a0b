; An ACIA whose control byte enables the receive interrupt while its pin is left open: polled in and
; out. Echoes upper case.
        .include "bench/bench.inc"
        .text
        ld sp, 0xFF00
        ld a, 3
        out (ACIA_C), a
        ld a, 0x95              ; / 16, 8N1, receive interrupt on
        out (ACIA_C), a
        ld hl, hello
1:      ld a, (hl)
        or a
        jr z, wait
        call put
        inc hl
        jr 1b
wait:   in a, (ACIA_C)
        rrca
        jr nc, wait
        in a, (ACIA_D)
        cp 'a'
        jr c, 2f
        cp 'z' + 1
        jr nc, 2f
        and 0xDF
2:      call put
        jr wait
put:    ld b, a
1:      in a, (ACIA_C)
        and 2
        jr z, 1b
        ld a, b
        out (ACIA_D), a
        ret
hello:  .asciz "loud desk: "
