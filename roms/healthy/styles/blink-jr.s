; The report goes out first; then JR to itself with interrupts on: the tick moves a pointer on the lamps.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0x38, 0xFF
        jp 0x38
        .org 0x40, 0xFF
vecs:   .word 0, tick, 0, 0
tick:   ex af, af'
        exx
        djnz 1f
        ld b, 30
        rlc c
        ld a, c
        out (PANEL), a
1:      exx
        ex af, af'
        ei
        reti
boot:   ld sp, 0x8080
        serial_on
        exx
        ld bc, 30 << 8 | 1
        exx
        ld hl, hello
        call puts
        xor a
        ld i, a
        im 2
        ld a, 0x40
        out (CTC0), a
        ld a, 0xA7
        out (CTC1), a
        xor a
        out (CTC1), a
        ei
        jr .
        .include "bench/text.inc"
hello:  .asciz "lamps only from here\r\n"
