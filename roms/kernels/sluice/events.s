; The event queue (ring of 16 pairs), the beat, and what a beat does.

        .include "defs.inc"

        .equ SLOTS, 16

        .section .text, "ax"
        .global event_get, event_post, post, beat_setup, beat_isr, on_beat

; Z set when there is none, else B = kind, C = argument.  Interrupts are off.
event_get:
        ld a, (q_tail)
        ld hl, q_head
        cp (hl)
        ret z
        ld l, a
        ld h, queue_page
        ld b, (hl)
        inc l
        ld c, (hl)
        inc l
        ld a, l
        and 2 * SLOTS - 1               ; the ring begins at a multiple of 256
        ld (q_tail), a
        inc a                           ; even + 1: never zero
        ret

; From the loop: post B, C with interrupts held off.
post:
        di
        call event_post
        ei
        ret

; From a handler: post B, C.  A full queue drops it and counts.  Spoils A, HL.
event_post:
        ld a, (q_head)
        ld l, a
        ld h, queue_page
        add a, 2
        and 2 * SLOTS - 1
        push hl
        ld hl, q_tail
        cp (hl)
        pop hl
        jr z, full
        ld (hl), b
        inc l
        ld (hl), c
        ld (q_head), a
        ret
full:
        ld hl, q_lost
        inc (hl)
        ret

; CTC channel 0 as timer: 4.608 MHz / 256 / 180 = 100 Hz.
beat_setup:
        ld a, 0x20                      ; vector of channel 0; bit 0 = 0 makes it the vector word
        out (CTC_BEAT), a
        ld a, 0xA7                      ; interrupt, timer, /256, constant follows, reset
        out (CTC_BEAT), a
        ld a, 180
        out (CTC_BEAT), a
        ret

beat_isr:
        push af
        push bc
        push hl
        ld hl, (beats)
        inc hl
        ld (beats), hl
        ld b, EV_BEAT
        call event_post
        pop hl
        pop bc
        pop af
        ei
        reti

; A beat moves both paddles, lets the water run, and counts a swinging gate down.
on_beat:
        ld ix, fill_paddle
        call paddle_step
        ld ix, drain_paddle
        call paddle_step
        call water_step
        ld a, (swing)
        or a
        ret z
        dec a
        ld (swing), a
        jr z, swung
        and 7
        ret nz
        ld a, '.'
        jp putc
swung:
        ld b, EV_LOCK
        ld c, LE_SWUNG
        jp post

        .section .ring, "aw", @nobits
queue:  .skip 2 * SLOTS

        .section .bss
        .global beats, swing, q_lost
q_head: .skip 1                         ; offsets into the ring
q_tail: .skip 1
q_lost: .skip 1
beats:  .skip 2
swing:  .skip 1                         ; beats until the gate stands, 0: no gate moves
