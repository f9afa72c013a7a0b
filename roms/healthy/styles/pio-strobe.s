; A float whose encoder strobes bytes into PIO port A: the program sleeps until it does. It may
; take until the tide turns.
        .include "bench/bench.inc"
        .equ PIO_AD, 0x1C
        .equ PIO_AC, 0x1E
        .text
        jp boot
        .org 0x60, 0xFF
vec:    .word strobe
strobe: ex af, af'
        in a, (PIO_AD)
        ld (level), a
        ld a, 1
        ld (fresh), a
        ex af, af'
        ei
        reti
boot:   ld sp, 0x8200
        serial_on
        xor a
        ld (fresh), a
        ld i, a
        im 2
        ld hl, setup
        ld bc, 3 << 8 | PIO_AC
        otir
        in a, (PIO_AD)          ; makes ARDY ask
        ei
        ld hl, hello
        call puts
sleep:  halt
        ld hl, fresh
        bit 0, (hl)
        jr z, sleep
        ld (hl), 0
        ld a, (level)
        call hex8
        call newline
        jr sleep
setup:  .byte 0x60, 0x4F, 0x83
        .include "bench/text.inc"
hello:  .asciz "Encoder ready\r\n"
        .bss
level:  .ds 1
fresh:  .ds 1
