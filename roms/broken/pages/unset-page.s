; Writes three of four page registers before it turns paging on: window 1 shows what the
; latches held at power-on, and the driver that was burned for it is not there.
        .equ PAGES, 0x50
        .equ PAGING, 0x54
        .text
start:  xor a
        out (PAGES), a
        ld a, 0x20
        out (PAGES + 2), a
        inc a
        out (PAGES + 3), a
        ld a, 1
        out (PAGING), a
        ld sp, 0
        call driver
        ei
idle:   halt
        jr idle
        .org 0x4000, 0xFF
driver: ld hl, 0xC000
        ld (hl), 1
        ret
