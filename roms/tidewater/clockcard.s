; The clock card: a DS1302 behind one port, its three wires moved bit by bit.
;
; A frame begins when CE rises and ends when it falls. Bits go lowest first: the chip takes
; one when SCLK rises and gives one when SCLK falls. A frame takes 1 ms, during which the
; scheduler is held, so that two processes do not mix theirs; interrupts stay on.

        .include "defs.inc"

        .equ CLOCK, 0x74                ; written: the lines; read: bit 0 = data, the rest 0
        .equ CE, 0x01
        .equ SCLK, 0x02
        .equ DATA, 0x04
        .equ DRIVE, 0x08                ; let the port drive the data line
        .equ WRITE_PROTECT, 0x8E        ; commands
        .equ READ_CLOCK, 0xBF
        .equ WRITE_CLOCK, 0xBE

        .section .text, "ax"
        .global clock_probe, clock_check, card_seconds, clock_write, clock_limits, text_no_clock
        .global clock_state

; Say what the clock card holds, or nothing when there is none. RESET has cleared the port's
; lines, so all that a card gives is the data line, which is pulled up; an empty port gives FFh.
clock_probe:
        in a, (CLOCK)
        dec a
        ret nz
        inc a                           ; CLOCK_RUNS, as far as is known
        ld (clock_state), a
        call clock_check
        ld a, (hl)
        or a
        jp nz, con_puts
        ld hl, text_clock
        call con_puts
        call card_seconds
        call print_time
        jp con_newline

; Look how the card is. HL = what is wrong, an empty text when nothing is.
clock_check:
        ld hl, text_no_clock
        ld a, (clock_state)
        or a
        ret z
        ld a, CLOCK_RUNS
        ld (clock_state), a
        call card_seconds
        ld a, (clock_state)
        dec a
        add a, a
        ld hl, clock_texts
        call add_a
        ld a, (hl)
        inc hl
        ld h, (hl)
        ld l, a
        ret

; DEHL = seconds since the start, from the card. Carry set when it does not run; it is not
; asked again before clock_check. Saves IX.
card_seconds:
        ld a, (clock_state)
        cp CLOCK_RUNS
        scf
        ret nz
        call sched_hold
        push ix
        ld ix, clock_moment
        call read_clock
        ld (clock_state), a
        call nc, join_time
        pop ix
        jp sched_free                ; which saves the carry

; A = how the card is; carry clear and the moment at IX set when it runs.
read_clock:
        ld a, READ_CLOCK
        call frame
        ld hl, registers
        ld c, 8
1:      call take_byte
        ld (hl), a
        inc hl
        dec c
        jr nz, 1b
        xor a
        out (CLOCK), a
        dec hl
        ld a, (hl)                      ; write protection: its other bits are always 0
        add a, a
        ld a, CLOCK_SILENT
        scf
        ret nz
        ld hl, registers
        bit 7, (hl)
        ld a, CLOCK_STANDS
        ret nz
        push ix
        ld de, clock_limits
        ld b, T_SIZE
2:      ld a, b
        dec a
        jr nz, 3f
        inc hl                          ; the day of the week comes before the year
3:      call from_bcd
        jr c, 4f
        ex de, hl
        cp (hl)
        jr c, 4f
        inc hl
        cp (hl)
        inc hl
        ex de, hl
        ccf
        jr c, 4f
        ld (ix), a
        inc ix
        inc hl
        djnz 2b
4:      pop ix
        ld a, CLOCK_UNSET
        ret c
        ld a, CLOCK_RUNS
        ret

; A = value of the BCD byte at HL; carry set when it is none. Destroys C.
from_bcd:
        ld a, (hl)
        and 0x0F
        cp 10
        ccf
        ret c
        ld c, a
        ld a, (hl)
        and 0xF0
        rrca                            ; tens by eight
        ld (tens), a
        rrca
        rrca                            ; by two
        push hl
        ld hl, tens
        add a, (hl)
        pop hl
        add a, c
        ret

; Set the card to the moment at IX and let it run. Destroys all but IX.
clock_write:
        call sched_hold
        ld a, WRITE_PROTECT
        call frame
        xor a
        call give_byte
        xor a
        out (CLOCK), a
        ld a, WRITE_CLOCK
        call frame
        push ix
        ld d, T_SIZE
1:      ld a, d
        dec a
        call z, give_byte_1             ; the day of the week: nobody looks at it
        ld a, (ix)
        inc ix
        call to_bcd
        call give_byte
        dec d
        jr nz, 1b
        pop ix
        ld a, 0x80                      ; write protection on again
        call give_byte
        xor a
        out (CLOCK), a
        jp sched_free

; A = A (0 to 99) in BCD. Destroys C.
to_bcd: ld c, -16
1:      ex af, af'
        ld a, c
        add a, 16
        ld c, a
        ex af, af'
        sub 10
        jr nc, 1b
        add a, 10
        add a, c
        ret

; Begin a frame with command A.
frame:  push af
        ld a, CE
        out (CLOCK), a                  ; SCLK must stay low for another microsecond
        pop af
        jr give_byte

give_byte_1:
        ld a, 1

; Give the chip the byte A. SCLK and the line are left low and released together, as the chip
; may answer from that moment on. Destroys AF BC.
give_byte:
        ld c, a
        ld b, 8
1:      ld a, CE | DRIVE
        rr c
        jr nc, 2f
        or DATA
2:      out (CLOCK), a
        or SCLK
        out (CLOCK), a
        ld a, CE
        out (CLOCK), a
        djnz 1b
        ret

; A = the next byte of the chip, whose first bit is there already. Destroys B.
take_byte:
        push de
        ld b, 8
1:      in a, (CLOCK)
        rra
        rr e
        ld a, CE | SCLK
        out (CLOCK), a
        ld a, CE
        out (CLOCK), a
        djnz 1b
        ld a, e
        pop de
        ret

; Of second, minute, hour, day, month, year: the least, and one more than the most.
clock_limits:
        .byte 0, 60, 0, 60, 0, 24, 1, 32, 1, 13, 0, 100

clock_texts:
        .word text_runs, text_stands, text_unset, text_silent

text_clock:
        .asciz "clock: "
text_no_clock:
        .ascii "no clock card answers\r\n"       ; goes on with the NUL of the next
text_runs:
        .byte 0
text_stands:
        .asciz "the clock card stands, CH is set, try date set\r\n"
text_unset:
        .asciz "the clock card holds no date, try date set\r\n"
text_silent:
        .asciz "the clock card's chip does not answer\r\n"

        .section .bss
clock_state: .space 1
registers: .space 8                     ; the chip's, as they were read
clock_moment: .space T_SIZE
tens:   .space 1
