; Two state machines: the paddles (one record each) and the lock chamber (a table of rows).

        .include "defs.inc"

        .equ TOP, 120                   ; centimetres between the two waters
        .equ SWING, 40                  ; beats a gate takes

        .section .text, "ax"
        .global paddle_step, water_step, lock_event, show_state

; One beat of the paddle at IX.
paddle_step:
        ld a, (ix + P_STATE)
        add a, a
        ld e, a
        ld d, 0
        ld hl, paddle_states
        add hl, de
        ld a, (hl)
        inc hl
        ld h, (hl)
        ld l, a
        jp (hl)

paddle_states:
        .word paddle_rest               ; PS_SHUT
        .word paddle_raise
        .word paddle_rest               ; PS_OPEN
        .word paddle_lower

paddle_rest:
        ret

paddle_raise:
        inc (ix + P_POS)
        ld a, (ix + P_POS)
        cp 8
        ret c
        ld (ix + P_STATE), PS_OPEN
        ret

paddle_lower:
        dec (ix + P_POS)
        ret nz
        ld (ix + P_STATE), PS_SHUT
        ld c, (ix + P_LAMP)
        jp motor_off

; Start a paddle's motor; IX = record.
raise:
        ld (ix + P_STATE), PS_RAISE
        ld c, (ix + P_LAMP)
        jp motor_on
lower:
        ld (ix + P_STATE), PS_LOWER
        ret

; Water runs through a paddle that is fully open.
water_step:
        ld ix, fill_paddle
        ld a, (ix + P_STATE)
        cp PS_OPEN
        jr z, runs
        ld ix, drain_paddle
        ld a, (ix + P_STATE)
        cp PS_OPEN
        ret nz
runs:
        ld a, (level)
        add a, (ix + P_FLOW)
        ld (level), a
        or a
        ld c, LE_EMPTY
        jr z, reached
        cp TOP
        ld c, LE_FULL
        jr z, reached
        and 15
        ret nz
        ld a, (level)                   ; every 16 cm a figure on the console
        call put_dec
        ld a, ' '
        jp putc
reached:
        push bc
        call lower
        pop bc
        ld b, EV_LOCK
        jp post

; Bits of the panel: C = mask.
motor_on:
        ld a, (panel)
        or c
        jr motor_set
motor_off:
        ld a, c
        cpl
        ld c, a
        ld a, (panel)
        and c
motor_set:
        ld (panel), a
        out (PANEL), a
        ret

; Event C for the chamber: look it up in the rows of its state; act, then go on to the next state.
; Rows: event, next state, action (word).
lock_event:
        ld a, (state)
        add a, a
        ld e, a
        ld d, 0
        ld hl, lock_rows
        add hl, de
        ld a, (hl)
        inc hl
        ld h, (hl)
        ld l, a
next_row:
        ld a, (hl)
        inc hl
        cp LE_END
        jr z, busy
        cp c
        jr z, found
        inc hl
        inc hl
        inc hl
        jr next_row
found:
        ld a, (hl)
        ld (state), a
        inc hl
        ld e, (hl)
        inc hl
        ld d, (hl)
        ex de, hl
        jp (hl)
busy:
        ld a, c
        cp LE_SWUNG
        ret nc                          ; only a person is told
        ld hl, s_busy
        jp puts

lock_rows:
        .word at_low, shutting_low, filling, opening_high
        .word at_high, shutting_high, emptying, opening_low

at_low:         .byte LE_UP, 1
                .word do_shut
                .byte LE_DOWN, 0
                .word do_already
                .byte LE_END
shutting_low:   .byte LE_SWUNG, 2
                .word do_fill
                .byte LE_END
filling:        .byte LE_FULL, 3
                .word do_open
                .byte LE_END
opening_high:   .byte LE_SWUNG, 4
                .word do_out_high
                .byte LE_END
at_high:        .byte LE_DOWN, 5
                .word do_shut
                .byte LE_UP, 4
                .word do_already
                .byte LE_END
shutting_high:  .byte LE_SWUNG, 6
                .word do_drain
                .byte LE_END
emptying:       .byte LE_EMPTY, 7
                .word do_open
                .byte LE_END
opening_low:    .byte LE_SWUNG, 0
                .word do_out_low
                .byte LE_END

do_already:
        ld hl, s_already
        jp puts
do_shut:
        ld hl, s_shut
        jr swing_gate
do_open:
        ld hl, s_open
swing_gate:
        call puts
        ld c, 0x04
        call motor_on
        ld a, SWING
        ld (swing), a
        ret
do_fill:
        ld hl, s_fill
        ld ix, fill_paddle
        jr run_water
do_drain:
        ld hl, s_drain
        ld ix, drain_paddle
run_water:
        push hl
        ld c, 0x04
        call motor_off
        call raise
        pop hl
        jp puts
do_out_high:
        ld hl, s_high
        jr boat_out
do_out_low:
        ld hl, s_low
boat_out:
        push hl
        ld c, 0x04
        call motor_off
        ld hl, (boats)
        inc hl
        ld (boats), hl
        pop hl
        call puts
        jp prompt

; "state": which state, which level.
show_state:
        ld hl, s_state
        call puts
        ld a, (state)
        call put_dec
        ld hl, s_level
        call puts
        ld a, (level)
        jp put_dec

s_busy:    .asciz "the lock is busy\r\n"
s_already: .asciz "the gate stands open for it\r\n"
s_shut:    .asciz "gate shuts "
s_open:    .asciz "\r\ngate opens "
s_fill:    .asciz "\r\nfilling: "
s_drain:   .asciz "\r\nemptying: "
s_high:    .asciz "\r\nboat out at the top\r\n"
s_low:     .asciz "\r\nboat out at the bottom\r\n"
s_state:   .asciz "state "
s_level:   .asciz ", level "

        .section .data, "aw"
        .global fill_paddle, drain_paddle
fill_paddle:  .byte PS_SHUT, 0, 0x01, 2
drain_paddle: .byte PS_SHUT, 0, 0x02, -3

        .section .bss
        .global boats
state:  .skip 1
level:  .skip 1
panel:  .skip 1                         ; the latch cannot be read: what is in it
boats:  .skip 2
