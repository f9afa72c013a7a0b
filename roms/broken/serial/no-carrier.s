; A modem driver waits for carrier, bit 3 of RR0, before it begins to count a call.
        .include "../common/zoo.inc"
        .text
start:  ld hl, setup
        ld bc, (setup_end - setup) << 8 | SIO_A_CONTROL
        otir
wait:   ld a, 0x10                      ; reset external/status, so that RR0 is fresh
        out (SIO_A_CONTROL), a
        in a, (SIO_A_CONTROL)
        and 0x08
        jr z, wait
        ld hl, 0x8000                   ; the line is there: count the seconds of the call
count:  inc (hl)
        jr nz, count
        inc hl
        jr count
setup:  .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA
setup_end:
