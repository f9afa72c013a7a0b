; Mode 2 with a table of 257 equal bytes in RAM: whatever vector comes, the handler at 8181h runs and
; asks the chips. The tick is a polled question of the same handler.
        .include "bench/bench.inc"
        .equ TABLE, 0x8200
        .equ ENTRY, 0x8181
        .text
        ld sp, 0xF000
        ld hl, TABLE
        ld de, TABLE + 1
        ld bc, 256
        ld (hl), 0x81
        ldir
        ld a, 0xC3
        ld (ENTRY), a
        ld hl, any
        ld (ENTRY + 1), hl
        ld a, TABLE >> 8
        ld i, a
        xor a
        ld (key), a
        ld (ticks), a
        serial_on
        ld a, 1
        out (SIO_AC), a
        ld a, 0x18
        out (SIO_AC), a
        ld a, 0xA7
        out (CTC3), a
        xor a
        out (CTC3), a
        im 2
        ei
        ld hl, hello
        call puts
1:      halt
        ld hl, key
        ld a, (hl)
        or a
        jr z, 1b
        ld (hl), 0
        call putc
        ld a, (ticks)
        call hex8
        jr 1b
any:    push af
        push hl
        in a, (SIO_AC)
        rrca
        jr nc, 2f
        in a, (SIO_AD)
        ld (key), a
        jr 3f
2:      ld hl, ticks
        inc (hl)
3:      pop hl
        pop af
        ei
        reti
        .include "bench/text.inc"
hello:  .asciz "any vector does\r\n"
        .bss
key:    .ds 1
ticks:  .ds 1
