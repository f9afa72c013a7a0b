; Prints a text at port A of a PIO: a Z80 DMA moves the bytes as the device takes them, and an
; interrupt tells the end of the block.
        .equ PIO_A_DATA,0x48
        .equ PIO_A_CONTROL,0x4A
        .equ DMA,0x30
        .equ LENGTH,24
        .text
start:  ld sp,0
        ld a,table >> 8
        ld i,a
        im 2
        call console_on
        xor a
        ld (done),a
        ld a,0x0F               ; output
        out (PIO_A_CONTROL),a
        ld hl,print
        ld bc,(print_end - print) << 8 | DMA
        otir
        ei
wait:   ld a,(done)
        or a
        jr z,wait
        jp echo
taken:  push af
        ld a,1
        ld (done),a
        pop af
        ei
        reti
print:  .byte 0xC3,0x79
        .word text,LENGTH - 1
        .byte 0x14,0x28,0xD5,PIO_A_DATA
        .ifdef NO_VECTOR
        .byte 0x02
        .else
        .byte 0x12,0            ; the table stands at a page's start
        .endif
        .ifdef ACTIVE_HIGH
        .byte 0x8A
        .else
        .byte 0x82
        .endif
        .byte 0xCF,0x05,0xCF,0xAB,0x87
print_end:
text:   .ascii "gauge log, harbour 2.31 "
        .balign 256
table:  .word taken
        .bss
        .comm done,1
