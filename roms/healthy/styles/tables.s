; Inline text behind CALL, computed returns through the stack, jump table in RAM filled at start, all
; in one; ends in HALT with interrupts never on.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 8, 0xFF
        jp putc                 ; RST 8 puts A
        .org 16, 0xFF
say:    ex (sp), hl             ; RST 10h prints the text behind it
1:      ld a, (hl)
        inc hl
        or a
        jr z, 2f
        rst 8
        jr 1b
2:      ex (sp), hl
        ret
boot:   ld sp, 0xC000
        serial_on
        ld hl, table            ; filled at start: eight times `calm`, then two of our own
        ld b, 8
1:      ld (hl), calm & 255
        inc hl
        ld (hl), calm >> 8
        inc hl
        djnz 1b
        ld hl, high
        ld (table + 6), hl
        ld hl, storm
        ld (table + 14), hl
        ld hl, finish
        push hl                 ; where the last RET goes
        ld b, 7
2:      push bc
        ld a, b
        call go
        pop bc
        djnz 2b
        ret
go:     add a, a
        ld e, a
        ld d, 0
        ld hl, table
        add hl, de
        ld a, (hl)
        inc hl
        ld h, (hl)
        ld l, a
        push hl
        ret
calm:   rst 16
        .asciz "calm\r\n"
        ret
high:   rst 16
        .asciz "high\r\n"
        ret
storm:  rst 16
        .asciz "storm\r\n"
        ret
finish: rst 16
        .asciz "all states seen\r\n"
        halt
        .include "bench/text.inc"
        .bss
table:  .ds 16
