; The display: an HD44780 on eight data lines, two lines of 16 characters.
;
; Before each access the busy flag is looked at, but not for ever: a display that stays busy is
; given up, said so, and not asked again before the next boot.

        .include "defs.inc"

        .equ LCD_COMMAND, 0x7C          ; read: busy flag and address counter
        .equ LCD_DATA, 0x7D
        .equ LINE_1, 0x80               ; command: set the address
        .equ LINE_2, 0xC0
        .equ COLUMNS, 16
        .equ PROOF, 0x45                ; an address that nothing but a display gives back

        .section .shell, "ax"
        .global display_probe, display_sample

; Say whether there is a display, or nothing when there is none.
display_probe:
        in a, (LCD_COMMAND)
        inc a
        ret z                           ; FFh: nobody drives the bus
        ld hl, set_up
1:      ld a, (hl)
        inc hl
        call lcd_command
        jr c, gone
        ld a, (hl)
        or a
        jr nz, 1b
        call lcd_wait
        jr c, gone
        in a, (LCD_COMMAND)             ; the address follows the busy flag by a few us
        cp PROOF
        ret nz
        ld (display_state), a
        ld hl, text_lines
        ld de, line_tide
        ld bc, 2 * COLUMNS
        ldir
        ld hl, text_greeting
        call show_lines
        ret c
        ld hl, text_ready
        jp con_puts

; Show the sample at HL, if there is a display.
display_sample:
        ld a, (display_state)
        or a
        ret z
        call load_word
        push de
        call load_word
        push de
        call load_word
        ex de, hl
        ld de, 0
        ld c, 100
        call div32
        ld c, a                         ; centimetres
        ld a, l
        add a, '0'
        ld hl, line_tide + 10
        ld (hl), a
        inc hl
        inc hl
        ld a, c
        call put_two
        pop de
        pop hl
        push ix
        ld ix, display_moment
        call split_time
        pop ix
        ld hl, line_time
        ld de, display_moment + T_MONTH
        ld b, 5                         ; month, day, hour, minute, second
1:      ld a, (de)
        dec de
        call put_two
        inc hl
        djnz 1b
        ld hl, line_tide

; Show the 32 characters at HL. Carry set when the display is gone.
show_lines:
        ld a, LINE_1
        call show_line
        ld a, LINE_2
        call nc, show_line
        ret nc

; The display does not answer any more.
gone:   xor a
        ld (display_state), a
        ld hl, text_gone
        call con_puts
        scf
        ret

; Show 16 characters at HL from address command A on.
show_line:
        call lcd_command
        ret c
        ld b, COLUMNS
1:      call lcd_wait
        ret c
        ld a, (hl)
        inc hl
        out (LCD_DATA), a
        djnz 1b
        ret

; Give command A when the display is ready. Carry set when it stays busy.
lcd_command:
        ld c, a
        call lcd_wait
        ret c
        ld a, c
        out (LCD_COMMAND), a
        ret

; Wait until the display is ready; carry set when it is not within 50 ms. Destroys A DE.
lcd_wait:
        ld de, 6500                     ; turns of 47 T-states
1:      in a, (LCD_COMMAND)
        add a, a
        ret nc
        dec de
        ld a, d
        or e
        jr nz, 1b
        scf
        ret

; The two digits of A at HL, which moves behind them. Destroys AF.
put_two:
        ld (hl), '0' - 1
1:      inc (hl)
        sub 10
        jr nc, 1b
        add a, 10 + '0'
        inc hl
        ld (hl), a
        inc hl
        ret

set_up: .byte 0x38                      ; eight data lines, two lines of characters
        .byte 0x0C                      ; on, no cursor
        .byte 0x06                      ; to the right, the glass stands
        .byte 0x01                      ; clear
        .byte LINE_1 + PROOF
        .byte 0

text_lines:                             ; what display_sample puts its digits into
        .ascii "Tide      0.00 m"
        .ascii "00-00 00:00:00  "
text_greeting:
        .ascii "Tidewater       "
        .ascii "no samples yet  "
text_ready:
        .asciz "display: ready\r\n"
text_gone:
        .asciz "display: busy for 50 ms, not used any more\r\n"

        .section .bss
display_state: .space 1                 ; 0: there is none
display_moment: .space T_SIZE
line_tide: .space COLUMNS              ; and behind it
line_time: .space COLUMNS
