; An ACIA whose transmit interrupt is switched on while the ring holds something and off again by the
; handler; what is typed comes back in brackets. Mode 1.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0x38, 0xFF
        push af
        push hl
        in a, (ACIA_C)
        rrca
        jr nc, 1f
        in a, (ACIA_D)
        ld (key), a
        jr 9f
1:      rrca
        jr nc, 9f
        ld hl, (get)
        ld a, (put)
        cp l
        jr z, 2f
        ld a, (hl)
        out (ACIA_D), a
        inc l
        ld (get), hl
        jr 9f
2:      ld a, 0x95              ; dry: transmit interrupt off
        out (ACIA_C), a
9:      pop hl
        pop af
        ei
        reti
boot:   ld sp, 0x80F0
        ld hl, ring
        ld (put), hl
        ld (get), hl
        xor a
        ld (key), a
        ld a, 3
        out (ACIA_C), a
        ld a, 0x95
        out (ACIA_C), a
        im 1
        ei
        ld hl, hello
1:      ld a, (hl)
        inc hl
        or a
        jr z, wait
        call queue
        jr 1b
wait:   halt
        ld hl, key
        ld a, (hl)
        or a
        jr z, wait
        ld (hl), 0
        ld c, a
        ld a, '['
        call queue
        ld a, c
        call queue
        ld a, ']'
        call queue
        jr wait
queue:  push hl
        ld hl, (put)
        ld (hl), a
        inc l
        di
        ld (put), hl
        ld a, 0xB5              ; transmit interrupt on
        out (ACIA_C), a
        ei
        pop hl
        ret
hello:  .asciz "bracket desk "
        .bss
put:    .ds 2
get:    .ds 2
key:    .ds 1
        .ds 251
ring:   .ds 256
