; The line editor and the commands, as events.

        .include "defs.inc"

        .equ WIDTH, 32

        .section .text, "ax"
        .global on_key, on_line, prompt

prompt:
        ld hl, s_prompt
        jp puts

; A key: C.
on_key:
        ld a, c
        cp 13
        jr z, line_ends
        cp 8
        jr z, rub
        cp ' '
        ret c
        ld hl, len
        ld a, (hl)
        cp WIDTH - 1
        ret nc
        inc (hl)
        ld e, a
        ld d, 0
        ld hl, line
        add hl, de
        ld (hl), c
        ld a, c
        jp putc
rub:
        ld hl, len
        ld a, (hl)
        or a
        ret z
        dec (hl)
        ld hl, s_rub
        jp puts
line_ends:
        ld a, (len)
        ld e, a
        ld d, 0
        ld hl, line
        add hl, de
        ld (hl), 0
        xor a
        ld (len), a
        call newline
        ld b, EV_LINE
        jp post

; The line is complete: find its word in the table.
on_line:
        ld hl, commands
each:
        ld a, (hl)
        or a
        jr z, no_such
        ld de, line
same:
        ld a, (de)
        cp (hl)
        jr nz, skip
        inc hl
        inc de
        or a
        jr nz, same
        ld a, (hl)
        inc hl
        ld h, (hl)
        ld l, a
        jp (hl)
skip:
        ld a, (hl)
        inc hl
        or a
        jr nz, skip
        inc hl
        inc hl
        jr each
no_such:
        ld a, (line)
        or a
        jp z, prompt
        ld hl, s_what
        call puts
        jp prompt

commands:
        .asciz "up"
        .word cmd_up
        .asciz "down"
        .word cmd_down
        .asciz "state"
        .word cmd_state
        .asciz "beats"
        .word cmd_beats
        .asciz "tally"
        .word cmd_tally
        .byte 0

cmd_up:
        ld c, LE_UP
        jr to_lock
cmd_down:
        ld c, LE_DOWN
to_lock:
        ld b, EV_LOCK
        jp post

cmd_state:
        call show_state
        call newline
        jp prompt

; Seconds since cold start (of the last 655).
cmd_beats:
        di                              ; both bytes of one moment
        ld hl, (beats)
        ei
        ld de, 100
        ld c, 0
1:      or a
        sbc hl, de
        jr c, 2f
        inc c
        jr 1b
2:      ld a, c
        call put_dec
        ld hl, s_seconds
        call puts
        jp prompt

cmd_tally:
        ld a, (boats)
        call put_dec
        ld hl, s_boats
        call puts
        ld a, (q_lost)
        call put_dec
        ld hl, s_lost
        call puts
        jp prompt

s_prompt:  .asciz "lock> "
s_rub:     .asciz "\b \b"
s_what:    .asciz "up, down, state, beats or tally\r\n"
s_seconds: .asciz " s since start\r\n"
s_boats:   .asciz " boats through, "
s_lost:    .asciz " events lost\r\n"

        .section .bss
len:    .skip 1
line:   .skip WIDTH
