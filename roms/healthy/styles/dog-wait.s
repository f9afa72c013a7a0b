; Waits for the service switch with everything alive: a tick that kicks the watchdog and counts, a
; lamp that follows the count.
        .include "bench/bench.inc"
        .equ DOG, 0xF1
        .text
        jp boot
        .org 0xA0, 0xFF
vecs:   .word tick, 0, 0, 0
tick:   push af
        out (DOG), a
        ld a, (ticks)
        inc a
        ld (ticks), a
        and 32
        out (PANEL), a
        pop af
        ei
        reti
boot:   ld sp, 0x8100
        serial_on
        xor a
        ld (ticks), a
        ld i, a
        im 2
        ld a, 0xA0
        out (CTC0), a
        ld a, 0xA7
        out (CTC0), a
        xor a
        out (CTC0), a
        ei
again:  ld hl, ask
        call puts
1:      halt
        in a, (PANEL)
        rrca
        jr nc, 1b
        ld hl, open
        call puts
2:      halt
        in a, (PANEL)
        rrca
        jr c, 2b
        jr again
        .include "bench/text.inc"
ask:    .asciz "gate closed\r\n"
open:   .asciz "gate open\r\n"
        .bss
ticks:  .ds 1
