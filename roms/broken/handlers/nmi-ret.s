; The NMI handler counts and returns with RET: IFF1 stays 0, and the tick is dead.
        .include "../common/zoo.inc"
        .text
start:  jp boot
        .org 0x66, 0xFF
        push hl
        ld hl, (noise)
        inc hl
        ld (noise), hl
        pop hl
.ifdef DEFECT_RET
        ret
.else
        retn
.endif
boot:   ld sp, 0
        ld a, table >> 8
        ld i, a
        im 2
        ld a, VEC_CTC
        out (CTC_0), a
        ld a, 0xA7
        out (CTC_0), a
        ld a, 156
        out (CTC_0), a
        ei
wait:   ld hl, ticks
        ld a, (hl)
1:      cp (hl)
        jr z, 1b
        ld hl, (beats)                  ; the gauge's work, once a tick
        inc hl
        ld (beats), hl
        jr wait
tick_isr:
        push af
        push hl
        ld hl, ticks
        inc (hl)
        pop hl
        pop af
        ei
        reti
        .balign 256
table:  .ds VEC_CTC, 0
        .word tick_isr
        .bss
noise:  .ds 2
beats:  .ds 2
ticks:  .ds 1
