; Two timers, the slower enters with EI at once and is interrupted by the faster many times, which
; stands higher in the chain. Foreground prints a dot for each slow one; a key clears the row.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0xC0, 0xFF
vecs:   .word fast, slow, 0, 0
fast:   push hl
        ld hl, n_fast
        inc (hl)
        pop hl
        ei
        reti
slow:   ei
        push af
        push bc
        ld bc, 300
1:      dec bc
        ld a, b
        or c
        jr nz, 1b
        ld a, (n_slow)
        inc a
        ld (n_slow), a
        pop bc
        pop af
        reti
boot:   ld sp, 0x8100
        serial_on
        xor a
        ld (n_fast), a
        ld (n_slow), a
        ld i, a
        im 2
        ld a, 0xC0
        out (CTC0), a
        ld a, 0x87
        out (CTC0), a
        ld a, 77
        out (CTC0), a
        ld a, 0xA7
        out (CTC1), a
        ld a, 250
        out (CTC1), a
        ei
        ld c, 0
1:      in a, (SIO_AC)
        rrca
        jr nc, 2f
        in a, (SIO_AD)
        call newline
2:      ld a, (n_slow)
        sub c
        cp 40
        jr c, 1b
        ld a, (n_slow)
        ld c, a
        ld a, '.'
        call putc
        jr 1b
        .include "bench/text.inc"
        .bss
n_fast: .ds 1
n_slow: .ds 1
