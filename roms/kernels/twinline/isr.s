;; interrupt side
        .include "twin.inc"
        .section .text,"ax"
        .globl ticks_now, vectors

tick:   push hl
        ld hl, (ticks)
        inc hl
        ld (ticks), hl
        pop hl
        ei
        reti

ticks_now:                      ; HL = ticks, both halves of one moment
        di
        ld hl, (ticks)
        ei
        ret

;; the six entries of the SIO: push, choose the block, go on together
a_tx:   push ix
        ld ix, line_a
        jr sent
b_tx:   push ix
        ld ix, line_b
sent:   push af
        push bc
        push de
        push hl
        ld a, (ix+TXN)
        or a
        jr z, dry
        dec (ix+TXN)
        ld a, (ix+TXOUT)
        ld e, a
        inc a
        and RING-1
        ld (ix+TXOUT), a
        ld d, 0
        ld l, (ix+TXBUF)
        ld h, (ix+TXBUF+1)
        add hl, de
        ld a, (hl)
        ld c, (ix+DPORT)
        out (c), a
        jr leave
dry:    ld (ix+BUSY), 0
        ld c, (ix+CPORT)
        ld a, 0x28              ; reset the transmit request
        out (c), a
leave:  pop hl
        pop de
        pop bc
        pop af
        pop ix
        ei
        reti

a_rx:   push ix
        ld ix, line_a
        jr got
b_rx:   push ix
        ld ix, line_b
got:    push af
        push bc
        push de
        push hl
        ld c, (ix+DPORT)
        in b, (c)
        ld a, (ix+RXN)
        cp RING
        jr nc, leave            ; no room: lost
        inc (ix+RXN)
        cp HIGH
        jr c, got1
        ld a, (ix+WR5)          ; nearly full: take RTS away
        and 0xFD
        ld (ix+WR5), a
        ld c, (ix+CPORT)
        ld e, 5
        out (c), e
        out (c), a
got1:   ld a, (ix+RXIN)
        ld e, a
        inc a
        and RING-1
        ld (ix+RXIN), a
        ld d, 0
        ld l, (ix+RXBUF)
        ld h, (ix+RXBUF+1)
        add hl, de
        ld (hl), b
        jr leave

a_es:   push af
        ld a, 0x10
        out (SIO_AC), a
        pop af
        ei
        reti
b_es:   push af
        ld a, 0x10
        out (SIO_BC), a
        pop af
        ei
        reti
a_sp:   push af
        ld a, 0x30
        out (SIO_AC), a
        in a, (SIO_AD)
        pop af
        ei
        reti
b_sp:   push af
        ld a, 0x30
        out (SIO_BC), a
        in a, (SIO_BD)
        pop af
        ei
        reti

        .section .vec,"a"
vectors: .word stray, stray, stray, tick        ; CTC 0-3
         .word stray, stray, stray, stray
         .word b_tx, b_es, b_rx, b_sp           ; SIO at 10h
         .word a_tx, a_es, a_rx, a_sp
stray:   ei
         reti

        .section .bss,"aw",@nobits
ticks:  .space 2
