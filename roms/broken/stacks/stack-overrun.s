; A recursive routine needs more stack than lies above the vector table: its pushes run over
; the pointer of the tick.
        .include "../common/zoo.inc"
        .text
start:  ld sp, stack_top
        ld hl, table
        ld de, table + 1
        ld bc, 255
        ld (hl), 0
        ldir
        ld hl, tick_isr
        ld (table + VEC_CTC), hl
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
        ld b, 50
1:      halt
        djnz 1b
        ld b, 110                       ; 110 levels of four bytes
        call descend
again:  halt
        jr again
descend:
        push bc
        djnz deeper
        jr up
deeper: call descend
up:     pop bc
        ret
tick_isr:
        ei
        reti
        .bss
        .balign 256
table:  .ds 256
        .ds 192
stack_top:
