; The tick is a process switch between two processes that never call each other; one waits for the
; switch, asleep in HALT, the other counts and shows its count on the desk each second.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0x40, 0xFF
vecs:   .word tick, 0, 0, 0
tick:   push af
        push bc
        push de
        push hl
        ld hl, (ticks)
        inc hl
        ld (ticks), hl
        ld hl, 0
        add hl, sp
        ld de, (sleeper)
        ld (sleeper), hl
        ex de, hl
        ld sp, hl
        pop hl
        pop de
        pop bc
        pop af
        ei
        reti
boot:   ld sp, 0x8100
        ld hl, wait
        push hl
        ld hl, 0
        push hl
        push hl
        push hl
        push hl
        ld (sleeper), sp
        ld (ticks), hl
        ld sp, 0x8200
        serial_on
        xor a
        ld i, a
        im 2
        ld a, 0x40
        out (CTC0), a
        ld a, 0xA7
        out (CTC0), a
        ld a, 240
        out (CTC0), a
        ei
        ld de, 0
count:  ld hl, (ticks)
        or a
        sbc hl, de
        ld bc, 100
        sbc hl, bc
        jr c, count
        ld hl, 100
        add hl, de
        ex de, hl
        ld a, d
        di
        call hex8
        ld a, e
        call hex8
        call newline
        ei
        jr count
wait:   in a, (PANEL)
        rrca
        jr c, 1f
        halt
        jr wait
1:      di
        ld a, '!'
        call putc
        ei
2:      halt
        in a, (PANEL)
        rrca
        jr c, 2b
        jr wait
        .include "bench/text.inc"
        .bss
sleeper: .ds 2
ticks:  .ds 2
