; Reads a table in ROM with SP and POP, interrupts off, and clears RAM by PUSH: fast ways of the
; trade. Prints the sum, puts a real stack up again, and waits for a key in HALT by interrupt.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0x38, 0xFF
        push af
        in a, (SIO_AD)
        ld (key), a
        pop af
        ei
        reti
boot:   di
        ld sp, 0x0000           ; clears 8000h to FFFFh from above
        ld hl, 0
        ld bc, 0x4000
1:      push hl
        dec bc
        ld a, b
        or c
        jr nz, 1b
        ld sp, table
        ld b, 8
2:      pop de
        add hl, de
        djnz 2b
        ld sp, 0xFF00
        push hl
        serial_on
        ld hl, text
        call puts
        pop hl
        ld a, h
        call hex8
        ld a, l
        call hex8
        call newline
        ld a, 1
        out (SIO_AC), a
        ld a, 0x18
        out (SIO_AC), a
        im 1
again:  ei
        halt
        di
        ld hl, key
        ld a, (hl)
        ld (hl), 0
        or a
        call nz, putc
        jr again
table:  .word 270, 281, 262, 255, 240, 233, 251, 266
        .include "bench/text.inc"
text:   .asciz "sum of the day "
        .bss
key:    .ds 1
