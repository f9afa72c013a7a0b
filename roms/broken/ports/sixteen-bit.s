; Uses IN A,(n) and OUT (n),A, which put A on A15-A8: a card that decodes all sixteen lines
; hears only the bytes that are 0.
        .include "../common/zoo.inc"
        .text
start:  ld hl, setup
        ld d, setup_end - setup
1:      ld a, (hl)
        out (SIO_A_CONTROL), a
        inc hl
        dec d
        jr nz, 1b
        ld hl, text
next:   ld a, (hl)
        or a
        jr z, keys
        ld e, a
2:      in a, (SIO_A_CONTROL)
        and 4
        jr z, 2b
        ld a, e
        out (SIO_A_DATA), a
        inc hl
        jr next
keys:   in a, (SIO_A_CONTROL)
        rrca
        jr nc, keys
        in a, (SIO_A_DATA)
        cp 13
        jr nz, keys
        ld hl, text
        jr next
setup:  .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA
setup_end:
text:   .asciz "Sluice\r\n"
