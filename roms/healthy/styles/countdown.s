; Five seconds to press a key for the service menu; else the logger starts by itself and prints a
; level now and then.
        .include "bench/bench.inc"
        .text
        ld sp, 0xFF00
        serial_on
        ld hl, hello
        call puts
        ld c, 5
count:  ld a, c
        call hex8
        ld a, 13
        call putc
        ld de, 0
        ld b, 2
1:      in a, (SIO_AC)
        rrca
        jr c, menu
        dec de
        ld a, d
        or e
        nop
        jr nz, 1b
        djnz 1b
        dec c
        jr nz, count
        ld hl, auto
        call puts
log:    ld hl, level
        inc (hl)
        ld a, (hl)
        call hex8
        ld a, ' '
        call putc
        ld b, 5
        ld de, 0
2:      dec de
        ld a, d
        or e
        jr nz, 2b
        djnz 2b
        jr log
menu:   in a, (SIO_AD)
        ld hl, service
        call puts
3:      in a, (SIO_AC)
        rrca
        jr nc, 3b
        jr menu
        .include "bench/text.inc"
hello:  .asciz "any key: service\r\n"
auto:   .asciz "\r\nlogging\r\n"
service: .asciz "\r\nservice> "
        .bss
level:  .ds 1
