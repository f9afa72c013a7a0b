; No console: HALT between ticks, and every tick counts a reading and stores it in a ring.
        .include "../../broken/common/zoo.inc"
        .text
start:  ld sp, 0
        ld hl, 0x9000
        ld (head), hl
        ld a, table >> 8
        ld i, a
        im 2
        ld a, VEC_CTC
        out (CTC_0), a
        ld a, 0xA7
        out (CTC_0), a
        ld a, 156
        out (CTC_0), a
idle:   ei
        halt
        ld hl, (head)
        ld (hl), e
        inc de
        inc hl
        res 6, h
        ld (head), hl
        jr idle
tick_isr:
        ei
        reti
        .balign 256
table:  .ds VEC_CTC, 0
        .word tick_isr
        .bss
head:   .ds 2
