; Reads a sector with a Z80 DMA: the controller's INT, one for each byte of a transfer without DMA
; of its own, is the chip's RDY.  The sector is blank; its byte is shown.
        .equ DMA,0x30
        .equ data,0x41
        .text
start:  ld sp,0
        call console_on
        ld a,2
        call reset_controller
        call spin_up
        call recalibrate
        ld hl,read
        ld bc,(read_end - read) << 8 | DMA
        otir
        ld hl,read_command
        ld b,9
        call send
wait:   in a,(DMA)              ; the read mask lets the status through
        and 0x20
        jr nz,wait
        call results
        ld hl,buffer
        ld bc,512
        ld a,(hl)
1:      cpi                     ; the disk is blank: all bytes are alike
        jr nz,wrong
        jp pe,1b
        call hex
        jp echo
wrong:  di
        halt
hex:    push af
        rrca
        rrca
        rrca
        rrca
        call digit
        pop af
digit:  and 15
        add a,0x90
        daa
        adc a,0x40
        daa
        jp show
; Port B of the chip is the source here: I/O, fixed.  Byte mode, RDY active high.
read:   .byte 0xC3,0xBB,0x01,0x79
        .word buffer,511
        .byte 0x14,0x28,0x85,data,0x8A,0xCF,0x87
read_end:
