; Console driver for a 6850-type ACIA: interrupts in mode 1, 38400 baud.
;
; The chip has no vector and is on no chain: it just pulls INT low, and the CPU comes in at
; 0038h. Nothing needs RETI.

        .include "defs.inc"

        .equ ACIA_RESET, 0x03
        .equ ACIA_RUN, 0x95             ; /16, 8 bits, no parity, one stop; Rx interrupt
        .equ ACIA_TX, 0x20              ; and Tx interrupt

        .section .text, "ax"
        .global acia_present, acia_ready, acia_init, acia_isr

; Z set when an ACIA answers: held in reset it shows neither a character nor an interrupt,
; let go it shows an empty transmitter.
acia_present:
        ld a, ACIA_RESET
        out (ACIA_CTRL), a
        in a, (ACIA_CTRL)
        and 0x81
        ret nz
        ld a, ACIA_RUN & 0x7F
        out (ACIA_CTRL), a

; Z set when the status reads as an idle ACIA does: Tx empty, nothing received, no interrupt.
acia_ready:
        in a, (ACIA_CTRL)
        and 0x83
        cp 0x02
        ret

acia_init:
        ld hl, acia_isr
        ld (rst38_hook), hl
        ld hl, acia_kick
        ld (con_kick), hl
        ld hl, acia_poll
        ld (con_poll), hl
        im 1
        in a, (ACIA_DATA)               ; throw away what came in before we listened
        ld a, ACIA_RESET                ; not yet done when console_wait brought us here
        out (ACIA_CTRL), a
        ld a, ACIA_RUN

; Write A to the control register and remember it: it cannot be read back.
acia_control:
        ld (acia_shadow), a
        out (ACIA_CTRL), a
        ret

; Start sending. The Tx interrupt is a level: switched on, it comes at once if the
; transmitter is empty.
acia_kick:
        ld a, (acia_shadow)
        and ACIA_TX
        ret nz
        ld a, ACIA_RUN | ACIA_TX
        jr acia_control

acia_poll:
        push af
1:      in a, (ACIA_CTRL)
        and 0x02
        jr z, 1b
        pop af
        out (ACIA_DATA), a
        ret

; One character of room only: 1600 T-states after it came in the next one is lost. This takes
; 1100 at worst, and nothing else keeps interrupts off for longer where there is no tick.
acia_isr:
        push af
        push bc
        push de
        push hl
        in a, (ACIA_CTRL)
        bit 7, a
        jr z, 3f                        ; it did not ask, so RST 38h was executed: a stray
        rrca
        jr nc, 1f
        in a, (ACIA_DATA)
        call con_received
1:      ld a, (acia_shadow)
        and ACIA_TX
        jr z, 2f
        in a, (ACIA_CTRL)
        and 0x02
        jr z, 2f
        call con_next
        jr c, 4f
        out (ACIA_DATA), a
2:      pop hl
        pop de
        pop bc
        pop af
        ei
        ret
3:      pop hl
        pop de
        pop bc
        pop af
        jp stray_rst38
4:      ld a, ACIA_RUN
        call acia_control
        jr 2b

        .section .bss
acia_shadow: .space 1
