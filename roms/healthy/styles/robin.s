; A round robin of four processes over semaphores: a gauge that wakes by the tick, a printer that it
; feeds, one that does sums, and an alarm that nobody has raised, which sleeps for ever.
        .include "bench/bench.inc"
        .equ TASKS, 4
        .text
        jp boot
        .org 0x70, 0xFF
vecs:   .word tick, tick, tick, tick
tick:   push af
        push bc
        push de
        push hl
        push ix
        ld hl, (ticks)
        inc hl
        ld (ticks), hl
        ld a, l
        and 31
        ld hl, sem_time
        call z, signal_here
        call reti_now           ; chip is free; we go on with interrupts off
switch: ld hl, 0                ; saves this one, takes the next that is ready
        add hl, sp
        ex de, hl
        call slot
        ld (hl), e
        inc hl
        ld (hl), d
1:      ld a, (current)
        inc a
        and TASKS - 1
        ld (current), a
        call state
        ld a, (hl)
        or a
        jr z, 2f                ; 0: ready
        ld e, a                 ; else the low byte of its semaphore
        ld d, sems >> 8
        ld a, (de)
        or a
        jr z, 1b
        dec a
        ld (de), a
        ld (hl), 0
2:      call slot
        ld e, (hl)
        inc hl
        ld d, (hl)
        ex de, hl
        ld sp, hl
        pop ix
        pop hl
        pop de
        pop bc
        pop af
        ei
        ret
reti_now:
        reti
slot:   ld a, (current)
        add a, a
        ld hl, stacks
        jr 1f
state:  ld a, (current)
        ld hl, states
1:      add a, l
        ld l, a
        ret
signal_here:
        inc (hl)
        ret
; wait on the semaphore at HL
wait:   di
        ld a, (hl)
        or a
        jr z, 1f
        dec (hl)
        ei
        ret
1:      push af                 ; frame as the tick's
        push bc
        push de
        push hl
        push ix
        ld c, l
        call state
        ld (hl), c
        jr switch
signal: di
        inc (hl)
        ei
        ret
gauge:  ld hl, sem_time
        call wait
        ld hl, level
        inc (hl)
        ld hl, sem_print
        call signal
        jr gauge
print:  ld hl, sem_print
        call wait
        ld hl, is
        call puts
        ld a, (level)
        call hex8
        call newline
        jr print
sums:   ld hl, (sum)
        ld de, 7
        add hl, de
        ld (sum), hl
        jr sums
alarm:  ld hl, sem_alarm
        call wait
        ld hl, flood
        call puts
        jr alarm
boot:   ld sp, stacks_top
        ld hl, 0x8000
        ld de, 0x8001
        ld bc, 0x3FF
        ld (hl), 0
        ldir
        serial_on
        ld ix, entries
        ld hl, 0x9000
        ld de, stacks
        ld b, TASKS
1:      ld a, (ix+1)
        dec hl
        ld (hl), a
        ld a, (ix+0)
        dec hl
        ld (hl), a
        push hl
        push bc
        ld bc, -10
        add hl, bc
        ld a, l
        ld (de), a
        inc de
        ld a, h
        ld (de), a
        inc de
        pop bc
        pop hl
        inc ix
        inc ix
        inc h                   ; 256 bytes on
        djnz 1b
        xor a
        ld i, a
        im 2
        ld a, 0x70
        out (CTC0), a
        ld a, 0xA7
        out (CTC0), a
        ld a, 240
        out (CTC0), a
        ld a, TASKS - 1
        ld (current), a
        ld hl, (stacks + 6)
        ld sp, hl
        pop ix
        pop hl
        pop de
        pop bc
        pop af
        ei
        ret
entries:
        .word gauge, print, sums, alarm
        .include "bench/text.inc"
is:     .asciz "level "
flood:  .asciz "FLOOD\r\n"
        .bss
sems:                           ; 8000h: low byte names it, never 0
        .ds 1
sem_time: .ds 1
sem_print: .ds 1
sem_alarm: .ds 1
states: .ds 4
stacks: .ds 8
current: .ds 1
ticks:  .ds 2
level:  .ds 1
sum:    .ds 2
        .ds 64
stacks_top:
