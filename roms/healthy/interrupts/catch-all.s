; Mode 2 with an ACIA, which has no vector: the bus reads FFh under pull-ups, and a catch-all
; pointer stands at I:FFh.
        .include "../../broken/common/zoo.inc"
        .text
start:  ld sp, stack_top
        ld hl, receive_isr
        ld (table + 0xFF), hl
        ld a, table >> 8
        ld i, a
        im 2
        xor a
        ld (key), a
        ld a, 3
        out (ACIA_CONTROL), a
        ld a, 0x95
        out (ACIA_CONTROL), a
        ei
wait:   halt
        ld a, (key)
        or a
        jr z, wait
        out (ACIA_DATA), a
        xor a
        ld (key), a
        jr wait
receive_isr:
        push af
        in a, (ACIA_CONTROL)
        rrca
        jr nc, 1f
        in a, (ACIA_DATA)
        ld (key), a
1:      pop af
        ei
        reti
        .bss
        .balign 256
table:  .ds 257
key:    .ds 1
        .ds 64
stack_top:
