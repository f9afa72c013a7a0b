; Relays what the radio on channel B sends to the desk on channel A, by interrupts, and sleeps until
; it does; the desk has no keyboard. An hour may go by.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0x60, 0xFF
vecs:   .word 0, 0, radio, spoilt, 0, 0, 0, 0
radio:  push af
        in a, (SIO_BD)
        call putc
        pop af
        ei
        reti
spoilt: push af
        ld a, 0x30
        out (SIO_BC), a
        in a, (SIO_BD)
        pop af
        ei
        reti
boot:   ld sp, 0x8100
        ld hl, setup
        ld bc, 7 << 8 | SIO_AC
        otir
        ld bc, 11 << 8 | SIO_BC
        otir
        ld hl, hello
        call puts
        xor a
        ld i, a
        im 2
        ei
1:      halt
        jr 1b
setup:  .byte 0x18, 4, 0x44, 3, 0xC0, 5, 0xEA
        .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 2, 0x60, 1, 0x1C
        .include "bench/text.inc"
hello:  .asciz "radio watch\r\n"
