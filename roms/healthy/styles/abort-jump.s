; A receive handler that leaves by EI and JP when the key is a full stop: the work is dropped, the
; stack is started anew. Any other key is echoed. RETI goes to the chips by a call of its own.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0xA0, 0xFF
vecs:   .word 0, 0, 0, 0, 0, 0, rx, bad
rx:     push af
        in a, (SIO_AD)
        cp '.'
        jr z, abort
        call putc
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
abort:  call 1f
        ld sp, top
        ld hl, broken
        call puts
        ei
        jp work
1:      reti
boot:   ld sp, top
        ld hl, setup
        ld bc, 4 << 8 | SIO_BC
        otir
        ld bc, 9 << 8 | SIO_AC
        otir
        xor a
        ld i, a
        im 2
        ei
work:   ld hl, hello
        call puts
        call deep
        ld hl, done
        call puts
1:      halt
        jr 1b
deep:   ld b, 200
1:      push bc
        ld de, 6000
2:      dec de
        ld a, d
        or e
        jr nz, 2b
        pop bc
        djnz 1b
        ret
setup:  .byte 1, 4, 2, 0xA0, 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0x18
        .include "bench/text.inc"
hello:  .asciz "surveying, a full stop ends it\r\n"
done:   .asciz "survey complete\r\n"
broken: .asciz "\r\nbegun anew\r\n"
        .bss
        .ds 80
top:
