; The tick's handler spoils BC. Most of the time nobody minds; in the middle of a block copy
; it makes the copy begin its count anew, at each tick.
        .include "../common/zoo.inc"
        .text
start:  ld sp, 0
        ld a, table >> 8
        ld i, a
        im 2
        ld a, VEC_CTC
        out (CTC_0), a
        ld a, 0xA7
        out (CTC_0), a
        ld a, 156
        out (CTC_0), a
        ei
        ld hl, passes
        ld (hl), 0
again:  ld hl, 0x0000
        ld de, 0x9000
        ld bc, 0x0400
        ldir
        ld a, (passes)
        inc a
        ld (passes), a
        cp 200
        jr nz, again
stop:   halt
        jr stop
tick_isr:
        push af
        ld bc, (ticks)
        inc bc
        ld (ticks), bc
        ld bc, 0
        pop af
        ei
        reti
        .balign 256
table:  .ds VEC_CTC, 0
        .word tick_isr
        .bss
ticks:  .ds 2
passes: .ds 1
