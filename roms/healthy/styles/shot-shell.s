; A shell by receive interrupts whose timer runs only while a key has to blink: handlers in a table
; at the top of RAM, copied there at start; ends by `x` with DI and HALT.
        .include "bench/bench.inc"
        .equ VEC, 0xFE00
        .text
        di
        ld sp, 0xFD00
        ld hl, first
        ld de, VEC
        ld bc, first_end - first
        ldir
        ld a, VEC >> 8
        ld i, a
        ld hl, setup
        ld bc, 4 << 8 | SIO_BC
        otir
        ld bc, 9 << 8 | SIO_AC
        otir
        xor a
        ld (key), a
        out (CTC0), a           ; vector 0 for the timer
        im 2
        ei
        ld hl, hello
        call puts
prompt: ld a, '%'
        call putc
1:      ld a, (key)
        or a
        jr z, 1b
        ld c, a
        xor a
        ld (key), a
        ld a, c
        call putc
        cp 'x'
        jr z, leave
        ld a, 1
        out (PANEL), a
        ld a, 0xA7
        out (CTC3), a
        ld a, 200
        out (CTC3), a
        ld a, c
        cp 13
        jr nz, 1b
        jr prompt
leave:  di
        ld hl, bye
        call puts
        halt
rx:     push af
        in a, (SIO_AD)
        ld (key), a
        pop af
        ei
        reti
bad:    push af
        ld a, 0x30
        out (SIO_AC), a
        in a, (SIO_AD)
        pop af
        ei
        reti
off:    push af
        ld a, 3
        out (CTC3), a
        xor a
        out (PANEL), a
        pop af
        ei
        reti
first:  .word 0, 0, 0, off, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, rx, bad
first_end:
setup:  .byte 1, 4, 2, 0x10, 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0x18
        .include "bench/text.inc"
hello:  .asciz "blinking desk, x ends\r\n"
bye:    .asciz "\r\nbye\r\n"
        .bss
key:    .ds 1
