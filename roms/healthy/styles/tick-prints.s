; The foreground does nothing; the tick alone reads the panel and prints when it has changed.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0x80, 0xFF
vecs:   .word tick, 0, 0, 0
tick:   push af
        push hl
        in a, (PANEL)
        ld hl, last
        cp (hl)
        jr z, 1f
        ld (hl), a
        call hex8
        call newline
1:      pop hl
        pop af
        ei
        reti
boot:   ld sp, 0x8100
        serial_on
        xor a
        ld (last), a
        ld i, a
        im 2
        ld a, 0x80
        out (CTC0), a
        ld a, 0xA7
        out (CTC0), a
        xor a
        out (CTC0), a
        ei
        jr .
        .include "bench/text.inc"
        .bss
last:   .ds 1
