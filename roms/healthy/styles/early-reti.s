; The tick gives RETI first, by a call, and goes on for long with interrupts on: a second channel
; nests into it. A guard keeps it from being entered twice.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0xB0, 0xFF
vecs:   .word slow, fast, 0, 0
slow:   push af
        call done
        ld a, (busy)
        or a
        jr nz, 9f
        inc a
        ld (busy), a
        ei
        push bc
        push de
        push hl
        ld hl, (fasts)
        push hl
        ld hl, text
        call puts
        pop hl
        ld a, h
        call hex8
        ld a, l
        call hex8
        call newline
        pop hl
        pop de
        pop bc
        di
        xor a
        ld (busy), a
9:      pop af
        ei
        ret
done:   reti
fast:   push hl
        ld hl, (fasts)
        inc hl
        ld (fasts), hl
        pop hl
        ei
        reti
boot:   ld sp, 0x8200
        serial_on
        xor a
        ld (busy), a
        ld h, a
        ld l, a
        ld (fasts), hl
        ld i, a
        im 2
        ld a, 0xB0
        out (CTC0), a
        ld a, 0xA7
        out (CTC0), a
        xor a
        out (CTC0), a
        ld a, 0x87
        out (CTC1), a
        ld a, 96
        out (CTC1), a
        ei
1:      jp 1b
        .include "bench/text.inc"
text:   .asciz "fast "
        .bss
busy:   .ds 1
fasts:  .ds 2
