; Mode 1 with a chain of polls in software: SIO, ACIA, then a panel strobe; a handler returns its key
; in a byte, the foreground dispatches over it. The ACIA has a second terminal, where nobody sits.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0x38, 0xFF
        push af
        in a, (SIO_AC)
        and 1
        jr z, 1f
        in a, (SIO_AD)
        ld (key), a
1:      in a, (ACIA_C)
        rlca
        jr nc, 2f
        in a, (ACIA_D)
        ld (radio), a
2:      pop af
        ei
        reti
boot:   ld sp, 0x8080
        xor a
        ld (key), a
        ld (radio), a
        serial_on
        ld a, 1
        out (SIO_AC), a
        ld a, 0x18
        out (SIO_AC), a
        ld a, 3
        out (ACIA_C), a
        ld a, 0x95
        out (ACIA_C), a
        im 1
        ei
        ld hl, hello
        call puts
again:  halt
        ld hl, radio
        call take
        ld hl, radio_text
        call nz, puts
        ld hl, key
        call take
        jr z, again
        call putc
        jr again
take:   di
        ld a, (hl)
        ld (hl), 0
        ei
        or a
        ret
        .include "bench/text.inc"
hello:  .asciz "desk and radio\r\n"
radio_text: .asciz "radio\r\n"
        .bss
key:    .ds 1
radio:  .ds 1
