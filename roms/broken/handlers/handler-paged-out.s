; The tick's handler stands in window 1. The foreground shows a data page there with
; interrupts on, and a tick comes meanwhile.
        .include "../common/zoo.inc"
        .include "../common/pages.inc"
        .text
start:  map_memory
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
        ld b, 5
1:      halt
        djnz 1b
sum:    ld a, 4                         ; the page of the tables
        out (PAGES + 1), a
        ld hl, 0x2000
        ld bc, 0x1800
        ld d, 0
2:      ld a, (hl)
        add a, d
        ld d, a
        inc hl
        dec bc
        ld a, b
        or c
        jr nz, 2b
        ld a, 1
        out (PAGES + 1), a
        jr sum
        .balign 256
table:  .ds VEC_CTC, 0
        .word tick_isr
        .org 0x2000, 0xFF
tick_isr:
        push hl
        ld hl, (0xC000)
        inc hl
        ld (0xC000), hl
        pop hl
        ei
        reti
