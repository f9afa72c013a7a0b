; Writes seven of eight page registers before it turns paging on: window 1 shows what the
; latches held at power-on, and the driver that was burned for it is not there.
        .equ PAGES, 0x50
        .equ PAGING, 0x58
        .text
start:  xor a
        out (PAGES), a
        ld a, 2
        out (PAGES + 2), a
        inc a
        out (PAGES + 3), a
        ld bc, 0x0400 + PAGES + 4
        ld a, 0x40
1:      out (c), a
        inc c
        inc a
        djnz 1b
        ld a, 1
        out (PAGING), a
        ld sp, 0
        call driver
        ei
idle:   halt
        jr idle
        .org 0x2000, 0xFF
driver: ld hl, 0xC000
        ld (hl), 1
        ret
