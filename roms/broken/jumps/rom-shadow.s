; Copies a jump table to low memory for its restarts, but the ROM still stands there.
        .include "../common/zoo.inc"
        .text
start:  jp boot
        .org 0x0100, 0xFF
boot:   ld sp, 0
        ld a, 0x18
        out (SIO_A_CONTROL), a
        ld hl, jumps
        ld de, 8
        ld bc, 3
        ldir
        ld a, 'A'
        rst 8
again:  jr again
jumps:  jp output
output: out (SIO_A_DATA), a
        ret
