; Copies itself under itself, switches the ROM off, and prints from RAM; then changes its own text.
        .include "bench/bench.inc"
        .equ LATCH, 0xE0
        .text
        ld hl, 0
        ld d, h
        ld e, l
        ld bc, whole
        ldir                    ; writes go to the RAM under the ROM
        ld a, 1
        out (LATCH), a          ; from here on it is RAM
        ld sp, 0x7F00
        serial_on
again:  ld hl, text
        call puts
        ld hl, number
        inc (hl)
        ld a, (hl)
        cp '9' + 1
        jr nz, again
        di
stop:   jp stop
        .include "bench/text.inc"
text:   .ascii "copy in RAM, line "
number: .asciz "0\r\n"
whole   = . 
