; Overlays: three pages of flash take turns in the window at 4000h; each prints its verse and
; returns to the common part in page 0. RAM stands at C000h.
        .include "bench/bench.inc"
        .equ PAGES, 0x50
        .equ LATCH, 0x58
        .section .text.common, "ax"
        xor a
        out (PAGES), a          ; 0000h: this
        inc a
        out (PAGES+1), a
        out (PAGES+2), a
        ld a, 0x40
        out (PAGES+6), a
        inc a
        out (PAGES+7), a
        ld a, 1
        out (LATCH), a
        ld sp, 0xE000
        serial_on
again:  ld b, 3
        ld c, 1
1:      ld a, c
        out (PAGES+2), a
        push bc
        call 0x4000
        pop bc
        inc c
        djnz 1b
        ld hl, more
        call puts
2:      in a, (SIO_AC)
        rrca
        jr nc, 2b
        in a, (SIO_AD)
        jr again
        .include "bench/text.inc"
more:   .asciz "a key: once more\r\n"
        .section .text.one, "ax"
        ld hl, flood_text
        jp puts
flood_text: .asciz "overlay one: flood\r\n"
        .section .text.two, "ax"
        ld b, 2
1:      push bc
        ld hl, slack_text
        call puts
        pop bc
        djnz 1b
        ret
slack_text: .asciz "overlay two: slack\r\n"
        .section .text.three, "ax"
        call 1f
        .asciz "overlay three: ebb\r\n"
1:      pop hl
        jp puts
