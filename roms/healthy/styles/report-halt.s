; Prints the gauge's sheet of the day, then DI and HALT: the end of the job.
        .include "bench/bench.inc"
        .text
        di
        ld sp, 0xFF00
        serial_on
        ld hl, title
        call puts
        ld ix, levels
        ld b, 6
line:   ld a, 6
        sub b
        add a, a
        add a, a
        call hex8
        ld a, ':'
        call putc
        ld a, ' '
        call putc
        ld a, (ix+0)
        call hex8
        call newline
        inc ix
        djnz line
        ld hl, done
        call puts
drain:  ld a, 1                 ; RR1 bit 0: all sent
        out (SIO_AC), a
        in a, (SIO_AC)
        rrca
        jr nc, drain
        di
        halt
        .include "bench/text.inc"
title:  .asciz "Harbour gauge, sheet of the day\r\n"
done:   .asciz "end of sheet\r\n"
levels: .byte 0x12, 0x27, 0x41, 0x38, 0x1B, 0x09
