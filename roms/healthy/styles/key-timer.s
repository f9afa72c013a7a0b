; The desk's keys by interrupt; each starts a timer, and if nothing more comes in a second the line
; counts as ended: a sleep that ends by either.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0x40, 0xFF
vecs:   .word tick, 0, 0, 0, 0, 0, rx, bad
tick:   push af
        ld a, (quiet)
        inc a
        ld (quiet), a
        cp 100
        jr c, 1f
        ld a, 3                 ; a second of silence: stop the timer, the line has ended
        out (CTC0), a
        ld a, (events)
        set 1, a
        ld (events), a
1:      pop af
        ei
        reti
rx:     push af
        push hl
        in a, (SIO_AD)
        ld hl, (put)
        ld (hl), a
        inc l
        ld (put), hl
        xor a
        ld (quiet), a
        ld a, 0xA7
        out (CTC0), a
        ld a, 240
        out (CTC0), a
        ld a, (events)
        set 0, a
        ld (events), a
        pop hl
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
boot:   ld sp, 0x80F0
        xor a
        ld (events), a
        ld (quiet), a
        ld i, a
        ld hl, ring
        ld (put), hl
        ld (get), hl
        ld hl, setup
        ld bc, 4 << 8 | SIO_BC
        otir
        ld bc, 9 << 8 | SIO_AC
        otir
        ld a, 0x40
        out (CTC0), a
        im 2
        ld hl, hello
        call puts
sleep:  ei
        halt
        di
        ld a, (events)
        ld b, a
        xor a
        ld (events), a
        ei
        bit 0, b
        call nz, echo
        bit 1, b
        jr z, sleep
        ld hl, ended
        call puts
        jr sleep
echo:   ld hl, (get)
        ld a, (put)
        cp l
        ret z
        ld a, (hl)
        inc l
        ld (get), hl
        call putc
        jr echo
setup:  .byte 1, 4, 2, 0x40, 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0x18
        .include "bench/text.inc"
hello:  .asciz "key desk\r\n"
ended:  .asciz " (line)\r\n"
        .bss
put:    .ds 2
get:    .ds 2
events: .ds 1
quiet:  .ds 1
        .ds 250
ring:   .ds 256
