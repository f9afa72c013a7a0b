; Plays a row of patterns at a lamp port with a Z80 DMA.  Bit 0 of the port is wired to RDY: a
; pattern without it makes the chip wait, until the program sets the bit again.
        .equ LAMPS,0x40
        .equ DMA,0x30
        .equ LENGTH,9
        .text
start:  ld sp,0
        call console_on
        ld a,1
        out (LAMPS),a
        ld hl,play
        ld bc,(play_end - play) << 8 | DMA
        otir
wait:   ld hl,4000
1:      dec hl
        ld a,h
        or l
        jr nz,1b
        in a,(DMA)              ; the read mask lets the status through
        and 0x20
        jp z,echo
        ld a,1
        out (LAMPS),a
        jr wait
play:   .byte 0xC3,0xBB,0x01,0x79
        .word patterns,LENGTH - 1
        .byte 0x14,0x28
        .ifdef CONTINUOUS
        .byte 0xA5
        .else
        .byte 0xC5
        .endif
        .byte LAMPS,0x8A,0xCF,0x05,0xCF,0x87
play_end:
patterns:
        .byte 0x81,0x41,0x20,0x11,0x09,0x04,0x03,0x05,0x08
