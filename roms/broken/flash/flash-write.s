; Stores a byte in flash by the book, from RAM, and polls DQ7. Healthy on a flash that may be
; written; with DEFECT_IN_PLACE it runs from the flash it programs.
        .include "../common/pages.inc"
        .text
start:  map_memory
.ifdef DEFECT_IN_PLACE
        call store
.else
        ld hl, store
        ld de, 0x8000
        ld bc, store_end - store
        ldir
        call 0x8000
.endif
1:      ld hl, (0xC000)                 ; then it counts, as a logger would
        inc hl
        ld (0xC000), hl
        ld a, h
        or l
        jr nz, 1b
        ld hl, 0xC002
        inc (hl)
        jr 1b
store:  ld a, 0xAA
        ld (0x5555), a
        ld a, 0x55
        ld (0x2AAA), a
        ld a, 0xA0
        ld (0x5555), a
        ld hl, 0x3000
        ld (hl), 0x5A
2:      ld a, (hl)
        xor 0x5A
        rlca
        jr c, 2b
        ret
store_end:
