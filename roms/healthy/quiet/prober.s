; Looks for cards that may be there: writes and reads ports, memory behind the ROM and a page
; that nobody has, with a time-out each; then it waits for a key.
        .include "../../broken/common/zoo.inc"
        .text
start:  ld sp, 0
        ld c, 0x60
probe:  ld a, 0x55
        out (c), a
        in b, (c)
        cp b
        jr z, found
        ld b, 200
1:      in a, (c)
        cp 0xFF
        jr nz, found
        djnz 1b
found:  inc c
        bit 7, c
        jr z, probe
        ld hl, 0x7F00                   ; is this RAM?
        ld a, (hl)
        cpl
        ld (hl), a
        cp (hl)
        ld hl, setup
        ld bc, (setup_end - setup) << 8 | SIO_A_CONTROL
        otir
wait:   in a, (SIO_A_CONTROL)
        rrca
        jr nc, wait
        in a, (SIO_A_DATA)
        out (SIO_A_DATA), a
        jr wait
setup:  .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA
setup_end:
