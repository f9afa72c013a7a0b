; A line-buffered desk: edits a line with backspace, then looks the word up. Polled.
        .include "bench/bench.inc"
        .text
        ld sp, 0xFE00
        serial_on
        ld hl, hello
        call puts
prompt: ld hl, mark
        call puts
        ld hl, line
        ld b, 0
next:   call getc
        cp 13
        jr z, entered
        cp 8
        jr z, rub
        cp 0x7F
        jr z, rub
        cp ' '
        jr c, next
        ld c, a
        ld a, b
        cp 30
        jr nc, next
        ld (hl), c
        inc hl
        inc b
        ld a, c
        call putc
        jr next
rub:    ld a, b
        or a
        jr z, next
        dec b
        dec hl
        push hl
        ld hl, erase
        call puts
        pop hl
        jr next
entered:
        ld (hl), 0
        call newline
        ld hl, line
        ld a, (hl)
        or a
        jr z, prompt
        ld de, words
look:   push hl
1:      ld a, (de)
        cp (hl)
        jr nz, 2f
        or a
        jr z, found
        inc hl
        inc de
        jr 1b
2:      or a
        jr nz, 3f
        ld a, (hl)
        cp ' '
        jr z, found
        xor a
        jr 4f
3:      inc de
        ld a, (de)
        or a
        jr nz, 3b
4:      inc de
        inc de
        inc de
        pop hl
        ld a, (de)
        inc a
        jr nz, look
        ld hl, what
        call puts
        jr prompt
found:  pop hl
        inc de
        ex de, hl
        ld e, (hl)
        inc hl
        ld d, (hl)
        ld hl, prompt
        push hl
        push de
        ret
level:  ld hl, isnow
        jp puts
ebb:    ld hl, isebb
        jp puts
getc:   in a, (SIO_AC)
        rrca
        jr nc, getc
        in a, (SIO_AD)
        ret
        .include "bench/text.inc"
words:  .asciz "level"
        .word level
        .asciz "ebb"
        .word ebb
        .byte 0xFF
hello:  .asciz "Tide desk\r\n"
mark:   .asciz "desk> "
erase:  .byte 8, ' ', 8, 0
what:   .asciz "no such word\r\n"
isnow:  .asciz "2.7 m\r\n"
isebb:  .asciz "ebb at 14:10\r\n"
        .bss
line:   .ds 32
