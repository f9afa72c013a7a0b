; A busy game: moves a ball every frame, draws it to a port that may have a display, looks for
; a key in passing and never waits for one.
        .include "../../broken/common/zoo.inc"
        .text
start:  ld sp, 0
        ld hl, setup
        ld bc, (setup_end - setup) << 8 | SIO_A_CONTROL
        otir
        ld hl, 0x0103
        ld (speed), hl
        ld hl, 0
        ld (place), hl
frame:  ld hl, (place)
        ld de, (speed)
        add hl, de
        ld (place), hl
        ld a, h
        out (0x98), a
        ld a, l
        out (0x99), a
        in a, (SIO_A_CONTROL)
        rrca
        jr nc, draw
        in a, (SIO_A_DATA)
        ld (speed), a
draw:   ld b, 0
1:      djnz 1b
        jr frame
setup:  .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA
setup_end:
        .bss
place:  .ds 2
speed:  .ds 2
