; SIO channel A, interrupts both ways.  The sender has a ring of 64.

        .include "defs.inc"

        .equ RING, 64

        .section .text, "ax"
        .global serial_setup, tx_isr, rx_isr, ext_isr, bad_rx_isr, putc, puts, put_dec, newline

serial_setup:
        ld hl, regs_b
        ld bc, 256 * (regs_a - regs_b) + SIO_BC
        otir
        ld hl, regs_a
        ld bc, 256 * (regs_end - regs_a) + SIO_AC
        otir
        ret

regs_b: .byte 0x18                      ; channel reset
        .byte 2, 0x40                   ; vectors from 40h
        .byte 1, 0x04                   ; status affects vector
regs_a: .byte 0x18
        .byte 4, 0x44                   ; x16, one stop, no parity: 307.2 kHz / 16 = 19200
        .byte 3, 0xC1                   ; receive 8 bits, enable
        .byte 5, 0xEA                   ; DTR, RTS, send 8 bits, enable
        .byte 1, 0x1B                   ; ext, tx, rx on every character
regs_end:

rx_isr:
        push af
        push bc
        push hl
        in a, (SIO_A)
        ld c, a
        ld b, EV_KEY
        call event_post
        pop hl
        pop bc
        pop af
        ei
        reti

bad_rx_isr:
        push af
        in a, (SIO_A)                   ; throw the spoilt byte away
        ld a, 0x30                      ; error reset
        out (SIO_AC), a
        pop af
        ei
        reti

ext_isr:
        push af
        ld a, 0x10                      ; reset external/status
        out (SIO_AC), a
        pop af
        ei
        reti

; Buffer empty: send the next of the ring, or say that the sender rests.
tx_isr:
        push af
        push hl
        push de
        ld a, (tx_out)
        ld hl, tx_in
        cp (hl)
        jr z, dry
        ld e, a
        ld d, 0
        ld hl, tx_ring
        add hl, de
        inc a
        and RING - 1
        ld (tx_out), a
        ld a, (hl)
        out (SIO_A), a
tx_done:
        pop de
        pop hl
        pop af
        ei
        reti
dry:
        xor a
        ld (tx_runs), a
        ld a, 0x28                      ; reset the pending transmit interrupt
        out (SIO_AC), a
        jr tx_done

; Character in A.  Waits while the ring is full.  Only AF is spoilt.
putc:
        push bc
        push de
        push hl
        ld c, a
        ld a, (tx_in)
        ld e, a
        inc a
        and RING - 1
        ld b, a
room:
        ld a, (tx_out)
        cp b
        jr z, room
        di
        ld a, (tx_runs)
        or a
        jr nz, queue_it
        inc a
        ld (tx_runs), a
        ld a, c
        out (SIO_A), a                  ; the first one starts the chain of interrupts
        jr putc_out
queue_it:
        ld d, 0
        ld hl, tx_ring
        add hl, de
        ld (hl), c
        ld a, b
        ld (tx_in), a
putc_out:
        ei
        pop hl
        pop de
        pop bc
        ret

puts:
        ld a, (hl)
        or a
        ret z
        call putc
        inc hl
        jr puts

newline:
        ld a, 13
        call putc
        ld a, 10
        jr putc

; A as decimal, without leading zeros.
put_dec:
        ld h, 0
        ld l, a
        ld d, 0                         ; D = 1 once a digit is out
        ld bc, -100
        call digit
        ld bc, -10
        call digit
        ld a, l
        add a, '0'
        jr putc
digit:
        ld a, '0' - 1
1:      inc a
        add hl, bc
        jr c, 1b
        sbc hl, bc                      ; carry is clear here
        cp '0'
        jr nz, 2f
        bit 0, d
        ret z
2:      ld d, 1
        jp putc

        .section .bss
tx_in:   .skip 1
tx_out:  .skip 1
tx_runs: .skip 1                        ; 1 while the sender will interrupt again
tx_ring: .skip RING
