; A bank call that stands in the window it switches: after the OUT the next byte comes from
; the other page, where no code is.
        .equ PAGES, 0x50
        .equ PAGING, 0x54
        .text
start:  ld hl, 0x2120                   ; RAM in windows 2 and 3
        ld a, l
        out (PAGES + 2), a
        ld a, h
        out (PAGES + 3), a
        xor a
        out (PAGES), a
        inc a
        out (PAGES + 1), a
        out (PAGING), a
        ld sp, 0
again:  ld b, 20
1:      ld a, 1
        call call_bank                  ; its own page: works
        djnz 1b
        ld a, 3
        call call_bank                  ; another page: gone
        jr again
        .org 0x4000, 0xFF
call_bank:
        out (PAGES + 1), a
        nop
        call 0x4100
        ld a, 1
        out (PAGES + 1), a
        ret
        .org 0x4100, 0xFF
        ret
