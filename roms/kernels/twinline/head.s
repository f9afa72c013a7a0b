;; twinline: two serial lines, a clock, a desk
        .include "twin.inc"
        .section .head,"ax"
        .globl reset
reset:  di
        ld sp, stack
        jp start
        .org 0x66
        retn

        .section .text,"ax"
start:  ld hl, bss
        ld de, bss+1
        ld bc, bss_len-1
        ld (hl), 0
        ldir
        ld hl, rom_a            ; both blocks get their fixed parts
        ld de, line_a
        ld bc, 2*BLOCK
        ldir
        ld hl, words_b          ; channel B first: it has the vector
        ld b, len_b
        ld c, SIO_BC
        otir
        ld hl, words_a
        ld b, len_a
        ld c, SIO_AC
        otir
        xor a
        out (CTC0), a           ; CTC vectors 00-06
        ld a, 0xA7              ; timer, /256, interrupt, constant follows
        out (CTC3), a
        ld a, 216               ; 5.5296 MHz / 256 / 216 = 100
        out (CTC3), a
        ld a, vectors >> 8
        ld i, a
        im 2
        ei
        jp desk

rom_a:  .byte SIO_AD, SIO_AC, 0,0,0, 0,0,0, 0, 0xEA
        .word rx_a, tx_a
rom_b:  .byte SIO_BD, SIO_BC, 0,0,0, 0,0,0, 0, 0xEA
        .word rx_b, tx_b

words_b: .byte 0x18, 4,0x44, 3,0xC1, 5,0xEA, 2,0x10, 1,0x1E
         .equ len_b, . - words_b
words_a: .byte 0x18, 4,0x44, 3,0xE1, 5,0xEA, 1,0x1A   ; E1: CTS gates our sender
         .equ len_a, . - words_a

        .section .bss,"aw",@nobits
        .globl line_a, line_b
line_a: .space BLOCK
line_b: .space BLOCK
rx_a:   .space RING
tx_a:   .space RING
rx_b:   .space RING
tx_b:   .space RING
