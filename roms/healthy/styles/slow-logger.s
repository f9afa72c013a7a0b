; A logger for ever: every half second one line with a number and a level. It reads no key.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0x50, 0xFF
vecs:   .word tick, 0, 0, 0
tick:   ei
        push hl
        ld hl, (ticks)
        inc hl
        ld (ticks), hl
        pop hl
        reti
boot:   ld sp, 0x9000
        serial_on
        ld hl, 0
        ld (ticks), hl
        xor a
        ld i, a
        im 2
        ld a, 0x50
        out (CTC0), a
        ld a, 0xA7
        out (CTC0), a
        ld a, 240
        out (CTC0), a
        ei
        ld de, 50               ; next line at this tick
        ld bc, 0x0170
again:  ld hl, (ticks)
        or a
        sbc hl, de
        jp p, 1f
        halt
        jr again
1:      ld hl, 50
        add hl, de
        ex de, hl
        ld a, d
        call hex8
        ld a, e
        call hex8
        ld hl, name
        call puts
        ld a, c
        call hex8
        call newline
        ld a, c
        add a, b
        daa
        ld c, a
        jr again
        .include "bench/text.inc"
name:   .asciz " level "
        .bss
ticks:  .ds 2
