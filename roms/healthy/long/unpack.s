; Unpacks a run-length coded picture into RAM, over and over with other keys, for long.
        .text
start:  ld sp, 0
        ld c, 0
again:  ld de, 0x9000
rows:   ld hl, packed
next:   ld a, (hl)
        or a
        jr z, row
        ld b, a
        inc hl
        ld a, (hl)
        xor c
        inc hl
1:      ld (de), a
        inc de
        djnz 1b
        jr next
row:    bit 6, d
        jr z, rows
        ld hl, 0x9000
        ld b, 0
2:      add a, (hl)
        inc hl
        djnz 2b
        ld (sum), a
        inc c
        jr nz, again
        ld hl, (rounds)
        inc hl
        ld (rounds), hl
        jr again
packed: .byte 7, 0x11, 3, 0x2A, 90, 0x00, 1, 0xFF, 12, 0x3C, 0
        .bss
rounds: .ds 2
sum:    .ds 1
