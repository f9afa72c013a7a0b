; Interrupt-driven output: a ring, a transmit handler that resets the request when the ring is dry,
; the first byte by hand. The report comes once a second; keys are not wanted.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0x40, 0xFF
vecs:   .word 0, 0, 0, 0, sent, quiet, 0, 0, tick, tick, tick, tick
sent:   push af
        push hl
        ld hl, (get)
        ld a, (put)
        cp l
        jr z, dry
        ld a, (hl)
        out (SIO_AD), a
        inc l
        ld (get), hl
        jr 1f
dry:    ld a, 0x28
        out (SIO_AC), a
        xor a
        ld (busy), a
1:      pop hl
        pop af
        ei
        reti
quiet:  push af
        ld a, 0x10
        out (SIO_AC), a
        pop af
        ei
        reti
tick:   push hl
        ld hl, ticks
        inc (hl)
        pop hl
        ei
        reti
boot:   ld sp, 0x8080
        ld hl, setup
        ld bc, 4 << 8 | SIO_BC
        otir
        ld bc, 9 << 8 | SIO_AC
        otir
        ld hl, ring
        ld (put), hl
        ld (get), hl
        xor a
        ld (busy), a
        ld (ticks), a
        ld i, a
        im 2
        ld a, 0x50
        out (CTC0), a
        ld a, 0xA7
        out (CTC0), a
        ld a, 240
        out (CTC0), a
        ei
report: ld hl, text
1:      ld a, (hl)
        inc hl
        or a
        jr z, 2f
        call queue
        jr 1b
2:      halt
        ld hl, ticks
        ld a, (hl)
        cp 100
        jr c, 2b
        ld (hl), 0
        jr report
queue:  push hl
        ld hl, (put)
        ld (hl), a
        inc l
        di
        ld (put), hl
        ld a, (busy)
        or a
        jr nz, 3f
        inc a
        ld (busy), a
        ld hl, (get)
        ld a, (hl)
        inc l
        ld (get), hl
        out (SIO_AD), a
3:      ei
        pop hl
        ret
setup:  .byte 1, 4, 2, 0x40, 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0x02
text:   .asciz "pump off, gate closed\r\n"
        .bss
put:    .ds 2
get:    .ds 2
busy:   .ds 1
ticks:  .ds 1
        .ds 250
ring:   .ds 256
