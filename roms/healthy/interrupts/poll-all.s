; Mode 1 beside chips that have vectors: the handler asks every source and ends with RETI for
; each acknowledge. The prompt waits for a key.
        .include "../../broken/common/zoo.inc"
        .text
start:  jp boot
        .org 0x38, 0xFF
        push af
        push hl
        in a, (SIO_A_CONTROL)
        rrca
        jr nc, 1f
        in a, (SIO_A_DATA)
        ld (key), a
1:      ld hl, ticks
        inc (hl)
        pop hl
        pop af
        ei
        reti
boot:   ld sp, stack_top
        xor a
        ld (key), a
        ld hl, setup
        ld bc, (setup_end - setup) << 8 | SIO_A_CONTROL
        otir
        ld a, 0xA7
        out (CTC_0), a
        ld a, 156
        out (CTC_0), a
        im 1
        ei
wait:   halt
        ld a, (key)
        or a
        jr z, wait
        out (SIO_A_DATA), a
        xor a
        ld (key), a
        jr wait
setup:  .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0x18
setup_end:
        .bss
ticks:  .ds 1
key:    .ds 1
        .ds 64
stack_top:
