; Console driver for a Z80 SIO, channel A: interrupts in mode 2, 38400 baud.

        .include "defs.inc"

        .section .text, "ax"
        .global sio_present, sio_init, sio_rx_isr, sio_tx_isr, sio_special_isr
        .global sio_status_isr

; Z set when an SIO answers: channel B gives back two vectors as they were written.
sio_present:
        ld a, 0x18                      ; channel reset: pointer 0, vector not modified
        out (SIO_B_CTRL), a
        nop                             ; the reset takes four clocks
        ld c, 0x50
        call sio_echo
        ret nz
        ld c, 0xA0

; Write C as vector, read it back; Z set when equal.
sio_echo:
        ld a, 2
        out (SIO_B_CTRL), a
        ld a, c
        out (SIO_B_CTRL), a
        ld a, 2
        out (SIO_B_CTRL), a
        in a, (SIO_B_CTRL)
        cp c
        ret

sio_init:
        ld hl, sio_setup_a
        ld bc, 256 * (sio_setup_b - sio_setup_a) + SIO_A_CTRL
        otir
        ld hl, sio_setup_b
        ld bc, 256 * (sio_setup_end - sio_setup_b) + SIO_B_CTRL
        otir
        ld hl, sio_vectors
        ld de, vector_table + VEC_SIO
        ld bc, 16
        ldir
        ld hl, sio_kick
        ld (con_kick), hl
        ld hl, sio_poll
        ld (con_poll), hl
        call vectors_select
1:      in a, (SIO_A_CTRL)              ; throw away what came in before we listened
        rrca
        ret nc
        in a, (SIO_A_DATA)
        jr 1b

; Register number, value; the reset needs no number.
sio_setup_a:
        .byte 0x18                      ; channel reset
        .byte 4, 0x44                   ; x16, one stop bit, no parity
        .byte 3, 0xC1                   ; receive 8 bits, on; DCD and CTS not looked at
        .byte 5, 0xEA                   ; send 8 bits, on; RTS and DTR active
        .byte 1, 0x1A                   ; interrupt on each character, and on Tx empty
sio_setup_b:
        .byte 0x18
        .byte 2, VEC_SIO
        .byte 4, 0x44
        .byte 3, 0xC0                   ; receiver off
        .byte 5, 0x60                   ; transmitter off
        .byte 1, 0x04                   ; status affects vector, for both channels
sio_setup_end:

; In the order of the three status bits of the vector. Channel B never asks.
sio_vectors:
        .word stray_vector, stray_vector, stray_vector, stray_vector
        .word sio_tx_isr, sio_status_isr, sio_rx_isr, sio_special_isr

; Start sending. The chip interrupts when its buffer BECOMES empty, so after a pause the
; first character has to be written from here.
sio_kick:
        ld a, (sio_sending)
        or a
        ret nz
        push de
        push bc
        call con_next
        out (SIO_A_DATA), a
        pop bc
        pop de
        ld a, 1
        ld (sio_sending), a
        ret

sio_poll:
        push af
1:      in a, (SIO_A_CTRL)
        and 0x04
        jr z, 1b
        pop af
        out (SIO_A_DATA), a
        ret

sio_tx_isr:
        push af
        push bc
        push de
        push hl
        call con_next
        jr c, 1f
        out (SIO_A_DATA), a
        jr sio_done
1:      ld a, 0x28                      ; nothing more to send: drop the Tx request
        out (SIO_A_CTRL), a
        xor a
        ld (sio_sending), a
        jr sio_done

sio_rx_isr:
        push af
        push bc
        push de
        push hl
        in a, (SIO_A_DATA)
        call con_received
sio_done:
        pop hl
        pop de
        pop bc
        pop af
        ei
        reti

; Overrun, framing error or break: reset the latches, throw the character away.
sio_special_isr:
        push af
        ld a, 0x30
        out (SIO_A_CTRL), a
        in a, (SIO_A_DATA)
        ld a, (rx_lost)
        inc a
        ld (rx_lost), a
        pop af
        ei
        reti

; Modem lines are not enabled, but a chip that asks must be answered.
sio_status_isr:
        push af
        ld a, 0x10
        out (SIO_A_CTRL), a
        pop af
        ei
        reti

        .section .bss
sio_sending: .space 1
