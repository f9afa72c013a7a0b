; An office clock: the tick counts to the minute in BCD without a word, the foreground idles with
; EI, HALT, DI and prints the minute only when it changes.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0x40, 0xFF
vecs:   .word tick, 0, 0, 0
tick:   push af
        ld a, (hundredths)
        add a, 1
        daa
        ld (hundredths), a
        jr nc, 1f
        ld a, (seconds)
        add a, 1
        daa
        cp 0x60
        jr c, 2f
        ld a, (minutes)
        add a, 1
        daa
        ld (minutes), a
        xor a
2:      ld (seconds), a
1:      pop af
        ei
        reti
boot:   ld sp, 0x8100
        serial_on
        ld hl, hundredths
        ld b, 3
1:      ld (hl), 0
        inc hl
        djnz 1b
        ld hl, hello
        call puts
        xor a
        ld i, a
        im 2
        ld a, 0x40
        out (CTC0), a
        ld a, 0xA7
        out (CTC0), a
        ld a, 240
        out (CTC0), a
        ld c, 0
again:  ei
        halt
        di
        ld a, (minutes)
        cp c
        jr z, again
        ld c, a
        call hex8
        call newline
        jr again
        .include "bench/text.inc"
hello:  .asciz "minutes since noon\r\n"
        .bss
hundredths: .ds 1
seconds: .ds 1
minutes: .ds 1
