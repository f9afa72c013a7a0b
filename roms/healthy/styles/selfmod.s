; Code in RAM that changes its own operands: an unrolled counter prints a triangle of tide marks,
; then the code writes a HALT over its own jump.
        .include "bench/bench.inc"
        .equ RUN, 0x9000
        .text
        ld sp, 0xFF00
        serial_on
        ld hl, code
        ld de, RUN
        ld bc, code_end - code
        ldir
        jp RUN
code:
width   = . - code + RUN + 1
        ld b, 1
glyph   = . - code + RUN + 1
1:      ld a, '='
        call putc
        djnz 1b
        call newline
        ld hl, glyph
        ld a, (hl)
        xor '=' ^ '~'
        ld (hl), a
        ld hl, width
        inc (hl)
        ld a, (hl)
        cp 15
        jr c, 2f
        ld a, 0x76              ; HALT
        ld (last - code + RUN), a
2:
last:   nop
        jp RUN
code_end:
        .include "bench/text.inc"
