; The tick: CTC channel 0 as a timer, 6.144 MHz / 256 / 240 = 100 Hz.

        .include "defs.inc"

        .equ CTC_CONTROL, 0xA7          ; interrupt, timer, /256, constant follows, reset
        .equ CTC_CONSTANT, 240

        .section .text, "ax"
        .global timer_init, tick_isr

; Program the timer, then look whether it counts. The tick needs vectors, so a timer that
; counts brings mode 2 with it. Without one the mode stays as the console driver left it.
timer_init:
        di
        ld a, VEC_CTC
        ld hl, tick_isr
        call vector_set
        ld a, VEC_CTC
        out (CTC_0), a
        ld a, CTC_CONTROL
        out (CTC_0), a
        ld a, CTC_CONSTANT
        out (CTC_0), a
        in a, (CTC_0)
        ld c, a
        ld b, 50                        ; 645 T-states: it must have gone down by two or three
1:      djnz 1b
        in a, (CTC_0)
        cp c
        call nz, vectors_select
        ei
        ret

; One hundredth of a second has passed.
tick_isr:
        push af
        push bc
        push de
        push hl
        ld hl, (ticks)
        inc hl
        ld (ticks), hl
        ld a, h
        or l
        jr nz, 1f
        ld hl, (ticks + 2)
        inc hl
        ld (ticks + 2), hl
1:      call wake_sleepers
        ld hl, (cur_proc)
        ld a, h
        or l
        jr z, 3f                        ; from the idle loop, which looks for itself
        push hl
        ld a, l
        add a, P_USED
        ld l, a
        inc (hl)
        jr nz, 2f
        inc hl
        inc (hl)
        jr nz, 2f
        inc hl
        inc (hl)
2:      pop hl
        ld a, (sched_held)
        or a
        jr nz, 3f
        ld (hl), READY
        jp sched_preempt                ; which ends in RETI
3:      pop hl
        pop de
        pop bc
        pop af
        ei
        reti

        .section .bss
        .global ticks
ticks:  .space 4                        ; since boot, 32 bits: good for 497 days
