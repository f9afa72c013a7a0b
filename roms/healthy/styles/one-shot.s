; No tick: a channel is started when a delay is wanted and stopped by its own handler. A shell on
; polled keys: 'd' waits a while and says so, other keys are echoed.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0xE0, 0xFF
vecs:   .word 0, 0, shot, 0
shot:   push af
        ld a, 3
        out (CTC2), a
        ld a, 1
        ld (over), a
        pop af
        ei
        reti
boot:   ld sp, 0x8100
        serial_on
        xor a
        ld i, a
        im 2
        ld a, 0xE0
        out (CTC0), a
        ei
        ld hl, hello
        call puts
        call delay
        ld hl, ready
        call puts
key:    in a, (SIO_AC)
        rrca
        jr nc, key
        in a, (SIO_AD)
        call putc
        cp 'd'
        jr nz, key
        call delay
        ld a, '!'
        call putc
        jr key
delay:  ld d, 20
1:      ld hl, over
        ld (hl), 0
        ld a, 0xA7
        out (CTC2), a
        xor a
        out (CTC2), a
2:      halt
        bit 0, (hl)
        jr z, 2b
        dec d
        jr nz, 1b
        ret
        .include "bench/text.inc"
hello:  .asciz "settling ... "
ready:  .asciz "settled\r\n"
        .bss
over:   .ds 1
