; Round-robin scheduler: who runs next, sleeping, waiting for events, the idle loop.
;
; A process that does not run has this frame on its own stack, from the top down:
; PC AF BC DE HL IX IY AF' BC' DE' HL'. It is the same whether the tick interrupted the
; process or it gave up the CPU itself, and is always left by EI / RETI. The RETI matters:
; a switch made by the tick owes the CTC its RETI, whichever process comes next. After a
; voluntary switch nothing is under service and RETI changes nothing.
;
; All of this runs with interrupts off: a tick that switches takes up to 1700 T-states, a
; voluntary switch 1150. A character takes 1600 and the SIO keeps three, so none is lost.

        .include "defs.inc"

        .section .text, "ax"
        .global sched_next, sched_idle, sched_preempt, sched_wait
        .global sleep_ticks, wakeup, wake_sleepers, sched_hold, sched_free

; Sleep for HL ticks: the process is woken by the tick that makes `ticks` reach P_WAKE.
sleep_ticks:
        di
        push ix
        ld ix, (cur_proc)
        ld de, (ticks)
        add hl, de
        ld (ix + P_WAKE), l
        ld (ix + P_WAKE + 1), h
        ld hl, (ticks + 2)
        ld de, 0
        adc hl, de
        ld (ix + P_WAKE + 2), l
        ld (ix + P_WAKE + 3), h
        ld (ix + P_STATE), SLEEPING
        pop ix
        jr sched_switch

; Wait until somebody calls wakeup for the event at HL. Enter with interrupts off, so that
; the event cannot slip in between the caller's test and the wait; comes back with them on.
sched_wait:
        push ix
        ld ix, (cur_proc)
        ld (ix + P_EVENT), l
        ld (ix + P_EVENT + 1), h
        ld (ix + P_STATE), WAITING
        pop ix
        jr sched_switch

; Leave the running process, whose state is already set.
sched_switch:
        push af
        push bc
        push de
        push hl

; The tick comes in here, with AF BC DE HL on the stack and the state set to READY.
sched_preempt:
        push ix
        push iy
        ex af, af'
        exx
        push af
        push bc
        push de
        push hl
        ld hl, 0
        add hl, sp
        ex de, hl
        ld ix, (cur_proc)
        ld (ix + P_SP), e
        ld (ix + P_SP + 1), d
        ld a, (page_shadow + 2)
        ld (ix + P_WIN2), a

; Give the CPU to the next ready process after the one that ran last.
sched_next:
        ld sp, idle_stack_top
1:      ld hl, (sched_last)
        ld de, PROC_SIZE
        ld b, PROC_COUNT
2:      add hl, de
        res 7, l                        ; past the last entry: back to the first
        ld a, (hl)
        cp READY
        jr z, sched_run
        djnz 2b

; Nobody is ready: halt until an interrupt makes somebody so, then look again. EI takes
; effect after the HALT has begun, so an interrupt cannot come between the two.
sched_idle:
        ld hl, 0
        ld (cur_proc), hl
        ei
        halt
        di
        jr 1b

; Run the process whose entry is at HL.
sched_run:
        ld (hl), RUNNING
        ld (cur_proc), hl
        ld (sched_last), hl
        push hl
        pop ix
        ld a, (ix + P_WIN2)
        ld (page_shadow + 2), a
        out (PORT_WIN2), a
        ld l, (ix + P_SP)
        ld h, (ix + P_SP + 1)
        ld sp, hl
        pop hl
        pop de
        pop bc
        pop af
        exx
        ex af, af'
        pop iy
        pop ix
        pop hl
        pop de
        pop bc
        pop af
        ei
        reti

; Make everybody ready who waits for the event at HL. Interrupts off. Destroys AF BC DE HL.
wakeup: ex de, hl
        ld hl, proc_table
        ld b, PROC_COUNT
1:      ld a, (hl)
        cp WAITING
        jr nz, 2f
        push hl
        inc hl
        inc hl
        inc hl
        inc hl                          ; P_EVENT
        ld a, (hl)
        inc hl
        ld c, (hl)
        pop hl
        cp e
        jr nz, 2f
        ld a, c
        cp d
        jr nz, 2f
        ld (hl), READY
2:      ld a, l
        add a, PROC_SIZE                ; the table lies within one 256-byte page
        ld l, a
        djnz 1b
        ret

; Called by each tick: make every sleeper ready whose time has come. Destroys AF BC DE HL.
wake_sleepers:
        ld hl, proc_table
        ld de, PROC_SIZE
        ld b, PROC_COUNT
1:      ld a, (hl)
        cp SLEEPING
        jr z, 3f
2:      add hl, de
        djnz 1b
        ret
3:      push hl
        ld a, l
        add a, P_WAKE
        ld l, a
        ld a, (ticks)                   ; ticks - P_WAKE: sign clear means due
        sub (hl)
        inc hl
        ld a, (ticks + 1)
        sbc a, (hl)
        inc hl
        ld a, (ticks + 2)
        sbc a, (hl)
        inc hl
        ld a, (ticks + 3)
        sbc a, (hl)
        pop hl
        jp m, 2b
        ld (hl), READY
        jr 2b

; Between these two the tick counts and wakes, but takes the CPU from nobody: for what two
; processes must not do at the same time. They nest, and save all registers and the carry.
sched_hold:
        push hl
        ld hl, sched_held
        inc (hl)
        pop hl
        ret

sched_free:
        push hl
        ld hl, sched_held
        dec (hl)
        pop hl
        ret

        .section .bss
        .global sched_last, sched_held
sched_last: .space 2                    ; entry that ran last; kernel_main sets it
sched_held: .space 1
