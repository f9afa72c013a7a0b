; Unlocks as the data sheet says, but with RAM in the window where 5555h lies: the chip sees
; only the half of it. Runs from RAM, as one must.
        .include "../common/pages.inc"
        .text
start:  map_memory
        ld a, 0x44                      ; work space in window 2
        out (PAGES + 2), a
        ld hl, store
        ld de, 0x8000
        ld bc, store_end - store
        ldir
        call 0x8000
        ei
1:      halt
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
3:      ld a, (hl)
        cp 0x5A
        jr nz, 3b
        ret
store_end:
