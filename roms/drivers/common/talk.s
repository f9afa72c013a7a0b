; A console for the drivers' machines: SIO channel A, polled.
        .global talk_on, say, put, put_hex, prompt
        .equ CONSOLE,0x20
        .equ CONSOLE_CONTROL,0x21
        .text
; Set the channel up: x16, 8N1, transmitter and receiver on.  Destroys B, C, HL.
talk_on:
        ld hl,settings
        ld bc,(settings_end - settings) << 8 | CONSOLE_CONTROL
        otir
        ret
settings:
        .byte 0x18, 4,0x44, 3,0xC1, 5,0xEA, 1,0, 0
settings_end:
; Send A.
put:    push af
1:      xor a
        out (CONSOLE_CONTROL),a
        in a,(CONSOLE_CONTROL)
        and 4
        jr z,1b
        pop af
        out (CONSOLE),a
        ret
; Send the text at HL up to its 00h.
say:    ld a,(hl)
        inc hl
        or a
        ret z
        call put
        jr say
; Send A as two hexadecimal digits.
put_hex:
        push af
        rrca
        rrca
        rrca
        rrca
        call digit
        pop af
digit:  and 15
        add a,0x90
        daa
        adc a,0x40
        daa
        jr put
; Show that the driver has done its work, then echo keys for ever.
prompt: ld hl,ready
        call say
2:      xor a
        out (CONSOLE_CONTROL),a
        in a,(CONSOLE_CONTROL)
        rrca
        jr nc,2b
        in a,(CONSOLE)
        call put
        jr 2b
ready:  .asciz "\r\nready> "
