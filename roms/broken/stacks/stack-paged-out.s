; The stack lies in window 1, and a routine shows another page there to read from it: its
; return address is gone with the page.
        .equ PAGES, 0x50
        .equ PAGING, 0x54
        .text
start:  xor a
        out (PAGES), a
        ld a, 0x20
        out (PAGES + 1), a
        inc a
        out (PAGES + 2), a
        inc a
        out (PAGES + 3), a
        ld a, 1
        out (PAGING), a
        ld sp, 0x7F00
        ld hl, 0x8000
1:      ld (hl), l
        inc hl
        bit 6, h
        jr z, 1b
        call measure
stop:   jr stop
measure:
        ld a, 0x24                      ; another RAM page
        out (PAGES + 1), a
        ld hl, 0x4000
        ld a, (hl)
        ld (0x8000), a
        ret
