; Date and time: from the clock card, or counted in ticks from a made-up start, 1 March 2031.

        .include "defs.inc"

        .section .text, "ax"
        .global clock_seconds, print_time, print_moment, cmd_date

; date: show date and time, and where they come from when it is not the clock card.
cmd_date:
        ld de, date_words
        ld a, (hl)
        or a
        jp nz, run_word
        call clock_check
        push hl                         ; why the card is not used, empty when it is
        call clock_seconds
        call print_time
        pop hl
        ld a, (hl)
        or a
        jp z, con_newline
        push hl
        ld hl, text_counted
        call con_puts
        pop hl
        jp con_puts

; DEHL = seconds since the start. Saves IX.
clock_seconds:
        call card_seconds
        ret nc
        di                              ; the tick must not come between the halves
        ld hl, (ticks)
        ld de, (ticks + 2)
        ei
        ld c, TICKS_PER_SECOND
        jp div32

; Print DEHL seconds since the start as date and time. Destroys all but IX.
print_time:
        push ix
        push hl                         ; six bytes of room
        push hl
        push hl
        ld ix, 0
        add ix, sp
        call split_time
        call print_moment
        pop hl
        pop hl
        pop hl
        pop ix
        ret

; Print the moment at IX.
print_moment:
        ld a, 20
        call print_two
        ld a, (ix + T_YEAR)
        call print_two
        ld a, '-'
        call con_putc
        ld a, (ix + T_MONTH)
        call print_two
        ld a, '-'
        call con_putc
        ld a, (ix + T_DAY)
        call print_two
        call print_space
        ld a, (ix + T_HOUR)
        call print_two
        ld a, ':'
        call con_putc
        ld a, (ix + T_MINUTE)
        call print_two
        ld a, ':'
        call con_putc
        ld a, (ix + T_SECOND)
        jp print_two

; date set YYYY-MM-DD hh:mm:ss: set the clock card; any character may stand between.
date_set:
        ld a, (clock_state)
        or a
        jr z, 4f
        push ix
        ld ix, moment
        ld b, T_YEAR
1:      push bc
        call parse_number
        pop bc
        jr c, 3f
        ld a, b
        cp T_YEAR
        jr nz, 2f
        push hl
        ld hl, -2000
        add hl, de
        ex de, hl
        pop hl
2:      ld a, d
        or a
        jr nz, 3f
        call store_field
        jr c, 3f
        ld a, (hl)
        or a
        jr z, 5f
        inc hl
5:      dec b
        jp p, 1b
        call day_missing
        jr c, 3f
        call clock_write
        pop ix
        ld hl, text_nothing
        jp cmd_date
3:      pop ix
        ld hl, text_date_set
        jp con_puts
4:      ld hl, text_no_clock
        jp con_puts

; Field B of the moment at IX = E; carry set when it is out of its limits.
store_field:
        push hl
        ld hl, clock_limits
        ld a, b
        add a, a
        call add_a
        ld a, e
        cp (hl)
        jr c, 1f
        inc hl
        cp (hl)
        ccf
        jr c, 1f
        push ix
        pop hl
        ld a, b
        call add_a
        ld (hl), e
        or a
1:      pop hl
        ret

date_words:
        .asciz "set"
        .asciz ""
        .word date_set
        .byte 0

text_counted:
        .asciz ", counted since power-on: "
text_date_set:
        .asciz "date set wants YYYY-MM-DD hh:mm:ss, years 2000 to 2099\r\n"
text_nothing:
        .byte 0

        .section .bss
moment: .space T_SIZE
