; Two tasks and a console that both print to: a gauge that reports every ten ticks, a desk that
; answers keys. Tasks give way by themselves; who has nothing to do sleeps. Assembled as it stands
; it is healthy; each name in capitals plants one mistake.
        .include "../common/zoo.inc"
        .equ READY, 0
        .equ ON_SEM, 1                  ; waits for the semaphore in T_FOR
        .equ ON_TIME, 2                 ; sleeps T_FOR ticks
        .equ T_SP, 0
        .equ T_STATE, 2
        .equ T_FOR, 3
        .text
start:  ld sp, gauge_top
        ld hl, ram
        ld de, ram + 1
        ld bc, ram_end - ram - 1
        ld (hl), 0
        ldir
        ld a, 1
        ld (console), a
        ld hl, sio_setup
        ld bc, (sio_setup_end - sio_setup) << 8 | SIO_A_CONTROL
        otir
        ld a, 2
        out (SIO_B_CONTROL), a
        ld a, VEC_SIO
        out (SIO_B_CONTROL), a
        ld a, VEC_CTC
        out (CTC_0), a
.ifdef STRAY_TICK                       ; the next channel ticks, and its entry is a stray's
        ld a, 0xA7
        out (CTC_0 + 1), a
        ld a, 156
        out (CTC_0 + 1), a
.else
.ifdef NO_CONSTANT                      ; no constant follows: what comes is no constant
        ld a, 0xA3
.else
        ld a, 0xA7                      ; interrupt, timer, /256, constant follows: 100 Hz
.endif
        out (CTC_0), a
        ld a, 156
        out (CTC_0), a
.endif
        ld a, table >> 8
        ld i, a
        im 2
        ld hl, desk_top - 2
        ld (hl), desk & 0xFF
        inc hl
        ld (hl), desk >> 8
        ld hl, desk_top - 2 - 8         ; behind it lie four pairs for `restore`
        ld (task_b + T_SP), hl
        ld hl, task_a
        ld (now), hl
        ld hl, banner
        call print

gauge:  ld a, 10                        ; first task
        call sleep
        ld hl, console
        call take
        ld hl, report
        call print
.ifdef LOCK_KEPT                        ; on one path the console is kept
        ld a, (reports)
        inc a
        ld (reports), a
        cp 3
        jr z, gauge
.endif
        ld hl, console
        call give
        jr gauge

desk:   ld hl, typed                    ; second task
        call take
        ld hl, console
        call take
        ld a, (key)
        call putc
        ld hl, console
        call give
        jr desk

sleep:  di
        ld ix, (now)
        ld (ix + T_FOR), a
        ld (ix + T_STATE), ON_TIME
        jr switch

take:   di                              ; semaphore at HL, waiting for it if need be
        ld a, (hl)
        or a
        jr z, 1f
        dec (hl)
        ei
        ret
1:      ld ix, (now)
        ld (ix + T_FOR), l
        ld (ix + T_STATE), ON_SEM
        push hl
        call switch
        pop hl
        jr take

give:   di
        call raise
        ei
        ret
raise:  inc (hl)                        ; and wake who waits for it
        ld a, (task_a + T_STATE)
        dec a
        jr nz, 1f
        ld a, (task_a + T_FOR)
        cp l
        jr nz, 1f
        xor a
        ld (task_a + T_STATE), a
1:      ld a, (task_b + T_STATE)
        dec a
        ret nz
        ld a, (task_b + T_FOR)
        cp l
        ret nz
        xor a
        ld (task_b + T_STATE), a
        ret

switch: push af                         ; with interrupts off: go on with who is ready
        push bc
        push de
        push hl
        ld ix, (now)
        ld hl, 0
        add hl, sp
        ld (ix + T_SP), l
        ld (ix + T_SP + 1), h
look:   ld ix, task_a
        ld a, (task_a + T_STATE)
        or a
        jr z, restore
        ld ix, task_b
        ld a, (task_b + T_STATE)
        or a
        jr z, restore
        ei
        halt
        di
        jr look
restore:
        ld (now), ix
        ld l, (ix + T_SP)
        ld h, (ix + T_SP + 1)
        ld sp, hl
        pop hl
        pop de
        pop bc
        pop af
        ei
        ret

print:  ld a, (hl)
        or a
        ret z
        call putc
        inc hl
        jr print
putc:   push af
1:      in a, (SIO_A_CONTROL)
        and 4
        jr z, 1b
        pop af
        out (SIO_A_DATA), a
        ret

tick_isr:
        push af
        push ix
        ld ix, task_a
        call one_tick
        ld ix, task_b
        call one_tick
        pop ix
        pop af
        ei
        reti
one_tick:
        ld a, (ix + T_STATE)
        cp ON_TIME
        ret nz
        dec (ix + T_FOR)
        ret nz
        ld (ix + T_STATE), READY
        ret

stray:  ei
        reti

receive_isr:
        push af
        push hl
        in a, (SIO_A_DATA)
        ld (key), a
.ifndef LOST_WAKE                       ; nobody is told that a key has come
        ld hl, typed
        call raise
.endif
        pop hl
        pop af
        ei
        reti

sio_setup:
.ifdef RX_OFF
        .byte 0x18, 4, 0x44, 3, 0xC0, 5, 0xEA, 1, 0x18
.else
        .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0x18
.endif
sio_setup_end:
banner: .asciz "Tide gauge, berth 5\r\n"
report: .asciz "level 214\r\n"
        .balign 256
table:  .ds VEC_CTC, 0xFF
        .word tick_isr, stray, stray, stray
        .ds VEC_SIO - VEC_CTC - 8, 0xFF
        .word receive_isr
        .ds 256 - VEC_SIO - 2, 0xFF
        .bss
ram:
now:    .ds 2
task_a: .ds 4
task_b: .ds 4
console:
        .ds 1
typed:  .ds 1
key:    .ds 1
reports:
        .ds 1
        .ds 64
desk_top:
        .ds 64
gauge_top:
ram_end:
