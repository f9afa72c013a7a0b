; A teleprinter of seven bits and even parity at 4800 baud; capitals only, CR is held back by a rest
; for the carriage. Channel B is never set up.
        .include "bench/bench.inc"
        .text
        ld sp, 0xFF00
        ld hl, setup
        ld bc, 7 << 8 | SIO_AC
        otir
        ld hl, hello
1:      ld a, (hl)
        inc hl
        or a
        jr z, key
        call print
        jr 1b
key:    ld a, 1
        out (SIO_AC), a
        in a, (SIO_AC)
        and 0x30
        jr z, 1f
        ld a, 0x30
        out (SIO_AC), a
1:      in a, (SIO_AC)
        rrca
        jr nc, key
        in a, (SIO_AD)
        and 0x7F
        cp 'a'
        jr c, 2f
        sub 32
2:      call print
        jr key
print:  push af
1:      in a, (SIO_AC)
        and 4
        jr z, 1b
        pop af
        out (SIO_AD), a
        cp 13
        ret nz
        ld bc, 40000
2:      dec bc
        ld a, b
        or c
        jr nz, 2b
        ld a, 10
        jr print
setup:  .byte 0x18, 4, 0xC7, 3, 0x41, 5, 0xAA
hello:  .asciz "TELEPRINTER ON LINE\r"
