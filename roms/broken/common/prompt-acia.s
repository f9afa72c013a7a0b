; The same monitor for a 6850-type ACIA at 20h.
        .include "zoo.inc"
        .equ CONTROL, 0x20
        .equ DATA, 0x21
        .text
start:  ld sp, 0
        ld a, 3                         ; master reset
        out (CONTROL), a
        ld a, 0x15                      ; x16, 8N1, no interrupts
        out (CONTROL), a
again:  ld hl, prompt
1:      ld a, (hl)
        or a
        jr z, line
        call putc
        inc hl
        jr 1b
line:   in a, (CONTROL)
        rrca
        jr nc, line
        in a, (DATA)
        call putc
        cp 13
        jr nz, line
        jr again
putc:   push af
1:      in a, (CONTROL)
        and 2
        jr z, 1b
        pop af
        out (DATA), a
        ret
prompt: .asciz "\r\nGauge 7 ready> "
