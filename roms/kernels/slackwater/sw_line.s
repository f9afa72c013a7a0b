; ---------------------------------------------------------------------
; the line, SIO channel A. Sends by interrupt from a ring of 32, sleeps
; while the ring is full. Receives one key at a time.
; ---------------------------------------------------------------------
    .include "sw_defs.inc"
    .equ ring_size, 32
    .section .text, "ax"
    .globl line_open, line_puts, line_putc, line_nl, line_dec
    .globl line_tx, line_es, line_rx, line_bad

line_open:
    ld   hl, b_words
    ld   bc, 2 << 8 | sio_bc
    call 1f
    ld   hl, b_more
    ld   bc, 2 << 8 | sio_bc
    call 1f
    ld   hl, a_words
    ld   bc, a_len << 8 | sio_ac
1:  otir
    ret

line_puts:
    ld   a, (hl)
    or   a
    ret  z
    call line_putc
    inc  hl
    jr   line_puts

line_nl:
    ld   a, 13
    call line_putc
    ld   a, 10
; a to the ring; when nothing is under way, straight to the chip
line_putc:
    push hl
    push de
    ld   e, a
full:
    di
    ld   a, (ring_n)
    cp   ring_size
    jr   c, room
    ei
    halt                    ; the sender's next interrupt makes room
    jr   full
room:
    ld   a, (sending)
    or   a
    jr   nz, queue
    inc  a
    ld   (sending), a
    ld   a, e
    out  (sio_ad), a
    jr   put_out
queue:
    ld   hl, ring_n
    inc  (hl)
    ld   a, (ring_in)
    ld   l, a
    inc  a
    and  ring_size - 1
    ld   (ring_in), a
    ld   h, 0
    ld   a, e
    ld   de, ring
    add  hl, de
    ld   (hl), a
put_out:
    ei
    pop  de
    pop  hl
    ret

; hl in decimal, no leading zeros
line_dec:
    ld   c, 0               ; nothing printed yet
    ld   de, 10000
    call digit
    ld   de, 1000
    call digit
    ld   de, 100
    call digit
    ld   de, 10
    call digit
    ld   a, l
    add  a, '0'
    jr   line_putc
digit:
    ld   a, '0' - 1
1:  inc  a
    or   a
    sbc  hl, de
    jr   nc, 1b
    add  hl, de
    cp   '0'
    jr   nz, 2f
    bit  0, c
    ret  z
2:  ld   c, 1
    jr   line_putc

; --- interrupts
line_tx:
    push af
    push hl
    push de
    ld   hl, ring_n
    ld   a, (hl)
    or   a
    jr   z, tx_dry
    dec  (hl)
    ld   a, (ring_out)
    ld   e, a
    inc  a
    and  ring_size - 1
    ld   (ring_out), a
    ld   d, 0
    ld   hl, ring
    add  hl, de
    ld   a, (hl)
    out  (sio_ad), a
    jr   tx_end
tx_dry:
    ld   a, 0x28            ; nothing more: withdraw the request
    out  (sio_ac), a
    xor  a
    ld   (sending), a
tx_end:
    pop  de
    pop  hl
    pop  af
    ei
    reti

line_rx:
    push af
    in   a, (sio_ad)
    and  0x7f
    ld   (line_key), a
    pop  af
    ei
    reti

line_es:
    push af
    ld   a, 0x10            ; reset external/status
    out  (sio_ac), a
    pop  af
    ei
    reti

line_bad:
    push af
    ld   a, 0x30            ; error reset
    out  (sio_ac), a
    in   a, (sio_ad)        ; and drop it
    pop  af
    ei
    reti

    .section .rodata, "a"
b_words:
    .byte 0x02, vec_sio
b_more:
    .byte 0x01, 0x04        ; status affects vector
a_words:
    .byte 0x18
    .byte 0x04, 0x84        ; x32, 8N1
    .byte 0x03, 0xc1        ; receiver on, 8 bits
    .byte 0x05, 0x6a        ; transmitter on, 8 bits, RTS
    .byte 0x01, 0x1a        ; every received character, and buffer empty
    .equ a_len, . - a_words

    .section .bss, "aw", @nobits
    .globl line_key
line_key: .space 1
sending:  .space 1
ring_n:   .space 1
ring_in:  .space 1
ring_out: .space 1
ring:     .space ring_size
