; Prints one line, then lives in HALT while a tick only blinks a lamp.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0x40, 0xFF
table:  .word tick, tick, tick, tick
tick:   push af
        ld a, (count)
        dec a
        ld (count), a
        jr nz, 1f
        ld a, 50
        ld (count), a
        ld a, (lamps)
        xor 1
        ld (lamps), a
        out (PANEL), a
1:      pop af
        ei
        reti
boot:   ld sp, 0x8800
        serial_on
        ld hl, hello
        call puts
        ld a, 50
        ld (count), a
        xor a
        ld (lamps), a
        out (PANEL), a
        ld i, a
        im 2
        ld a, 0x40
        out (CTC0), a
        ld a, 0xA7              ; timer, / 256, interrupt, constant follows
        out (CTC0), a
        ld a, 240               ; 10 ms at 6.144 MHz
        out (CTC0), a
        ei
1:      halt
        jr 1b
        .include "bench/text.inc"
hello:  .asciz "Tide lamp runs. Nothing else to do.\r\n"
        .bss
count:  .ds 1
lamps:  .ds 1
