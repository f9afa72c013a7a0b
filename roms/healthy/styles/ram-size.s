; Sizes RAM by writing a byte and its complement every 256 bytes over the whole space, ROM
; included, putting each byte back; prints a map and waits in a poll for a key to do it again.
        .include "bench/bench.inc"
        .text
        ld sp, 0xFFFE
        serial_on
again:  ld hl, 0x0080
probe:  ld a, (hl)
        ld c, a
        cpl
        ld (hl), a
        cp (hl)
        ld (hl), c
        ld a, '-'
        jr nz, 1f
        ld a, (hl)
        cp c
        ld a, '-'
        jr nz, 1f
        ld a, '#'
1:      call putc
        inc h
        jr z, done
        ld a, h
        and 0x3F
        call z, newline
        jr probe
done:   call newline
        ld hl, said
        call puts
1:      in a, (SIO_AC)
        rrca
        jr nc, 1b
        in a, (SIO_AD)
        jr again
        .include "bench/text.inc"
said:   .asciz "memory seen, a key looks again\r\n"
