; Stores a setting in flash, and waits for it to read back; the driver was written for an
; EEPROM, which takes a byte without unlocking.
        .include "../common/pages.inc"
        .text
start:  map_memory
        ld hl, 0x7000
        ld (hl), 0x5A
1:      ld a, (hl)
        cp 0x5A
        jr nz, 1b
        ei
2:      halt
        jr 2b
