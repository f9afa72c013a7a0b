; The same desk as many: keys by interrupt, a tick, and every vector filled: what nobody expects goes
; to a handler that only returns.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0x40, 0xFF
vecs:   .word tick, none, none, none, none, none, rx, bad
        .word none, none, none, none, none, none, none, none
tick:   push hl
        ld hl, ticks
        inc (hl)
        pop hl
none:   ei
        reti
rx:     push af
        in a, (SIO_AD)
        ld (key), a
        pop af
        ei
        reti
bad:    push af
        ld a, 0x30
        out (SIO_AC), a
        in a, (SIO_AD)
        pop af
        ei
        reti
boot:   ld sp, 0x8100
        xor a
        ld (key), a
        ld i, a
        ld hl, setup
        ld bc, 4 << 8 | SIO_BC
        otir
        ld bc, 9 << 8 | SIO_AC
        otir
        ld a, 0x40
        out (CTC0), a
        ld a, 0xA7
        out (CTC0), a
        xor a
        out (CTC0), a
        im 2
        ei
        ld hl, hello
        call puts
1:      halt
        ld hl, key
        ld a, (hl)
        or a
        jr z, 1b
        ld (hl), 0
        call putc
        jr 1b
setup:  .byte 1, 4, 2, 0x40, 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0x18
        .include "bench/text.inc"
hello:  .asciz "full desk\r\n"
        .bss
key:    .ds 1
ticks:  .ds 1
