; Probes every port outside the console for optional cards by reading it three times, tells where
; something answers, then runs as a monitor: a port number in hex typed, its value printed.
        .include "bench/bench.inc"
        .text
        ld sp, 0xFF00
        serial_on
        ld hl, hello
        call puts
        ld c, 0
1:      ld a, c
        and 0xFC
        cp SIO_AD
        jr z, 2f
        in a, (c)
        in e, (c)
        in d, (c)
        and e
        and d
        inc a
        jr z, 2f
        ld a, c
        call hex8
        ld a, ' '
        call putc
2:      inc c
        jr nz, 1b
        call newline
prompt: ld a, '?'
        call putc
        call digit
        rlca
        rlca
        rlca
        rlca
        ld e, a
        call digit
        or e
        ld c, a
        ld a, '='
        call putc
        in a, (c)
        call hex8
        call newline
        jr prompt
digit:  in a, (SIO_AC)
        rrca
        jr nc, digit
        in a, (SIO_AD)
        or 0x20
        sub '0'
        jr c, digit
        cp 10
        jr c, 1f
        sub 'a' - '0' - 10
        cp 10
        jr c, digit
        cp 16
        jr nc, digit
1:      push af
        call hex8
        pop af
        ret
        .include "bench/text.inc"
hello:  .asciz "ports that answer: "
