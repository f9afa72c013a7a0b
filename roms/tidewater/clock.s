; Date and time, kept by counting ticks from a made-up start: 1 March 2031, midnight.
;
; Counting years from March puts the leap day at the end, where it needs one test only.

        .include "defs.inc"

        .equ START_YEAR, 31

        .section .text, "ax"
        .global clock_seconds, print_time, date_of, cmd_date

cmd_date:
        call clock_seconds
        call print_time
        jp con_newline

; DEHL = seconds since the start.
clock_seconds:
        di                              ; the tick must not come between the halves
        ld hl, (ticks)
        ld de, (ticks + 2)
        ei
        ld c, TICKS_PER_SECOND
        jp div32

; Print DEHL seconds since the start as date and time. Destroys all.
print_time:
        ld c, 60
        call div32
        push af                         ; seconds
        call div32
        push af                         ; minutes
        ld c, 24
        call div32
        push af                         ; hours
        call print_date
        call print_space
        pop af
        call print_two
        ld a, ':'
        call con_putc
        pop af
        call print_two
        ld a, ':'
        call con_putc
        pop af
        jp print_two

; Print the date HL days after the start.
print_date:
        call date_of
        ld a, 20
        call print_two
        ld a, b
        call print_two
        ld a, '-'
        call con_putc
        ld a, c
        call print_two
        ld a, '-'
        call con_putc
        ld a, l
        jp print_two

; B = year since 2000, C = month, L = day of the date HL days after the start. Destroys DE.
date_of:
        ld bc, START_YEAR * 256         ; B = year, C = months since March
1:      call month_length
        ld e, a
        ld d, 0
        or a
        sbc hl, de
        jr c, 3f
        inc c
        ld a, c
        cp 10                           ; January
        jr nz, 2f
        inc b
2:      cp 12
        jr nz, 1b
        ld c, 0
        jr 1b
3:      add hl, de
        inc l
        ld a, c
        add a, 3
        cp 13
        jr c, 4f
        sub 12
4:      ld c, a
        ret

; A = days in month C (0 is March) of year B. Destroys DE.
month_length:
        push hl
        ld hl, month_days
        ld d, 0
        ld e, c
        add hl, de
        ld a, (hl)
        pop hl
        cp 28
        ret nz
        ld a, b
        and 3
        ld a, 28
        ret nz
        inc a
        ret

month_days:
        .byte 31, 30, 31, 30, 31, 31, 30, 31, 30, 31, 31, 28
