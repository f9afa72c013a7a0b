; Every transfer to the drum plotter is bit-banged on the panel with interrupts off for a second;
; in between the tick runs and the foreground sleeps.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0xD0, 0xFF
vecs:   .word tick, tick, tick, tick
tick:   push hl
        ld hl, ticks
        inc (hl)
        pop hl
        ei
        reti
boot:   ld sp, 0x8100
        serial_on
        xor a
        ld (ticks), a
        ld i, a
        im 2
        ld a, 0xD0
        out (CTC0), a
        ld a, 0xA7
        out (CTC0), a
        ld a, 240
        out (CTC0), a
        ei
again:  ld hl, text
        call puts
        di
        ld hl, 0
        ld de, 1000             ; bytes of 1 ms
1:      ld b, 8
        ld c, (hl)
        inc hl
2:      rrc c
        sbc a, a
        and 2
        or 1
        out (PANEL), a
        push bc
        ld b, 52
3:      djnz 3b
        pop bc
        and 2
        out (PANEL), a
        djnz 2b
        dec de
        ld a, d
        or e
        jr nz, 1b
        ei
        ld hl, done
        call puts
        ld hl, ticks
        ld (hl), 0
4:      halt
        ld a, (hl)
        cp 80
        jr c, 4b
        jr again
        .include "bench/text.inc"
text:   .asciz "plotting"
done:   .asciz ", plotted\r\n"
        .bss
ticks:  .ds 1
