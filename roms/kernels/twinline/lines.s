;; the side of the program. IX = line block.
        .include "twin.inc"
        .section .text,"ax"
        .globl putc, puts, getc

putc:   push hl                 ; A to the line
        push de
        push bc
        ld b, a
putc1:  di
        ld a, (ix+BUSY)
        or a
        jr z, kick
        ld a, (ix+TXN)
        cp RING
        jr c, putc2
        ei                      ; full: sleep till one has gone
        halt
        jr putc1
putc2:  inc (ix+TXN)
        ld a, (ix+TXIN)
        ld e, a
        inc a
        and RING-1
        ld (ix+TXIN), a
        ld d, 0
        ld l, (ix+TXBUF)
        ld h, (ix+TXBUF+1)
        add hl, de
        ld (hl), b
        jr putc3
kick:   inc (ix+BUSY)           ; idle: the first goes by hand
        ld c, (ix+DPORT)
        out (c), b
putc3:  ei
        pop bc
        pop de
        pop hl
        ret

puts:   ld a, (hl)
        or a
        ret z
        call putc
        inc hl
        jr puts

getc:   push hl                 ; A from the line; sleeps
        push de
        push bc
getc1:  di
        ld a, (ix+RXN)
        or a
        jr nz, getc2
        ei
        halt
        jr getc1
getc2:  dec (ix+RXN)
        ld a, (ix+RXOUT)
        ld e, a
        inc a
        and RING-1
        ld (ix+RXOUT), a
        ld d, 0
        ld l, (ix+RXBUF)
        ld h, (ix+RXBUF+1)
        add hl, de
        ld b, (hl)
        ld a, (ix+RXN)          ; room again, and RTS was away?
        cp LOW
        jr nc, getc3
        bit 1, (ix+WR5)
        jr nz, getc3
        set 1, (ix+WR5)
        ld c, (ix+CPORT)
        ld a, 5
        out (c), a
        ld a, (ix+WR5)
        out (c), a
getc3:  ei
        ld a, b
        pop bc
        pop de
        pop hl
        ret
