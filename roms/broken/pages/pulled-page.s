; A bank call that stands in the window it switches: after the OUT the next byte comes from
; the other page, where no code is.
        .include "../common/pages.inc"
        .text
start:  map_memory
again:  ld b, 20
1:      ld a, 1
        call call_bank                  ; its own page: works
        djnz 1b
        ld a, 3
        call call_bank                  ; another page: gone
        jr again
        .org 0x2000, 0xFF
call_bank:
        out (PAGES + 1), a
        nop
        call 0x2100
        ld a, 1
        out (PAGES + 1), a
        ret
        .org 0x2100, 0xFF
        ret
