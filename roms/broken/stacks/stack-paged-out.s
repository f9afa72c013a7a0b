; The stack lies in window 1, and a routine shows another page there to read from it: its
; return address is gone with the page.
        .include "../common/pages.inc"
        .text
start:  map_memory
        ld a, 0x44                      ; RAM in window 1, too
        out (PAGES + 1), a
        ld sp, 0x3F00
        ld hl, 0x8000
1:      ld (hl), l
        inc hl
        bit 6, h
        jr z, 1b
        call measure
stop:   jr stop
measure:
        ld a, 0x45                      ; another RAM page
        out (PAGES + 1), a
        ld hl, 0x2000
        ld a, (hl)
        ld (0x8000), a
        ret
