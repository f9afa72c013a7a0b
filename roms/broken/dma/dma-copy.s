; Moves a text from ROM to RAM with a Z80 DMA, then streams it to one cell, looks whether both
; came, and shows it.
        .include "../common/zoo.inc"
        .equ DMA,0x30
        .equ LENGTH,32
        .text
start:  ld sp,0
        call console_on
        ld hl,move
        ld bc,(move_end - move) << 8 | DMA
        otir
        call ended
        ld hl,text
        ld de,copy
        ld b,LENGTH
1:      ld a,(de)
        cp (hl)
        jr nz,wrong
        inc hl
        inc de
        djnz 1b
        ld hl,stream
        ld bc,(stream_end - stream) << 8 | DMA
        otir
        call ended
        ld a,(cell)
        cp '.'
        jr nz,wrong
        ld hl,copy
        ld b,LENGTH
2:      ld a,(hl)
        push bc
        call show
        pop bc
        inc hl
        djnz 2b
        jp echo
; Wait for the end of the block: the read mask lets the status through, nothing else.
ended:  in a,(DMA)
        and 0x20
        jr nz,ended
        ret
wrong:  di
        halt
move:   .byte 0xC3,0xBB,0x01,0x7D
        .word text,LENGTH - 1
        .byte 0x14,0x10,0xCD
        .word copy
        .byte 0x82
        .ifndef NO_LOAD
        .byte 0xCF
        .endif
        .ifndef NO_FORCE
        .byte 0xB3
        .endif
        .byte 0x87
move_end:
stream: .byte 0x79
        .word copy,LENGTH - 1
        .byte 0x14,0x20,0xCD
        .word cell
        .byte 0x82
        .ifndef FIXED
        .byte 0xCF              ; the fixed address, while its port is the source
        .endif
        .byte 0x05,0xCF,0xB3,0x87
stream_end:
text:   .ascii "tide 2.31 m, falling, wind NW 4."
        .bss
copy:   .space LENGTH
        .space 32
cell:   .space 1
