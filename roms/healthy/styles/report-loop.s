; Prints a table of squares of the float's travel, and stays in a jump to itself. No stack at all:
; every routine returns by JP (IX) or JP (IY).
        .include "bench/bench.inc"
        .text
        serial_on
        ld hl, head
        ld ix, 1f
        jp text
1:      ld de, 1                ; odd numbers
        ld hl, 0                ; their sum: squares
        ld b, 12
row:    add hl, de
        inc de
        inc de
        ld c, h
        ld ix, 1f
        jp byte
1:      ld c, l
        ld ix, 1f
        jp byte
1:      ld c, 13
        ld ix, 1f
        jp char
1:      ld c, 10
        ld ix, 1f
        jp char
1:      djnz row
        ld hl, tail
        ld ix, stay
        jp text
stay:   jr stay
text:   ld a, (hl)
        inc hl
        or a
        jr nz, 1f
        jp (ix)
1:      ld c, a
        ld iy, text
2:      in a, (SIO_AC)
        bit 2, a
        jr z, 2b
        ld a, c
        out (SIO_AD), a
        jp (iy)
byte:   ld a, c
        rrca
        rrca
        rrca
        rrca
        ld iy, low
        jr digit
low:    ld a, c
        ld iy, back
digit:  and 15
        add a, 0x90
        daa
        adc a, 0x40
        daa
        ex af, af'
1:      in a, (SIO_AC)
        bit 2, a
        jr z, 1b
        ex af, af'
        out (SIO_AD), a
        jp (iy)
back:   jp (ix)
char:   in a, (SIO_AC)
        bit 2, a
        jr z, char
        ld a, c
        out (SIO_AD), a
        jp (ix)
head:   .asciz "float squares\r\n"
tail:   .asciz "done\r\n"
