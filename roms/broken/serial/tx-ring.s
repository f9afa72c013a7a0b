; Sends a text through a ring that the transmit-empty handler drains. With NO_KICK the first
; byte is put into the ring only: nothing was ever sent, so nothing ever becomes empty.
        .equ sio,0x20
        .text
start:  di
        ld sp,0
        ld hl,0
        ld (head),hl            ; head and tail
        ld (busy),hl            ; busy and key
        ld a,table >> 8
        ld i,a
        im 2
        ld a,2
        out (sio+3),a
        ld a,table & 0xFF
        out (sio+3),a
        ld a,1
        out (sio+3),a
        ld a,4
        out (sio+3),a           ; status affects vector
        ld hl,setup
        ld b,setup_end-setup
        ld c,sio+1
        otir
        ei
        ld hl,text
send:   ld a,(hl)
        or a
        jr z,sent
        call put
        inc hl
        jr send
sent:   halt
        ld a,(key)
        cp 13
        jr nz,sent
        xor a
        ld (key),a
        ld hl,text
        jr send
put:    push hl
        ld c,a
room:   ld a,(head)
        inc a
        and 15
        ld hl,tail
        cp (hl)
        jr z,room
        ld b,a
        ld a,(head)
        ld e,a
        ld d,0
        ld hl,ring
        add hl,de
        ld (hl),c
        ld a,b
        ld (head),a
        .ifndef NO_KICK
        di
        ld a,(busy)
        or a
        call z,next
        ei
        .endif
        pop hl
        ret
next:   ld a,(tail)
        ld hl,head
        cp (hl)
        jr z,dry
        ld e,a
        inc a
        and 15
        ld (tail),a
        ld d,0
        ld hl,ring
        add hl,de
        ld a,(hl)
        out (sio),a
        ld a,1
        ld (busy),a
        ret
dry:    ld a,0x28
        out (sio+1),a           ; reset the pending transmit interrupt
        xor a
        ld (busy),a
        ret
tx:     push af
        push de
        push hl
        call next
        pop hl
        pop de
        pop af
        ei
        reti
rx:     push af
        in a,(sio)
        ld (key),a
        pop af
        ei
        reti
stop:   jr stop
text:   .asciz "\r\nlonger than the ring is> "
setup:  .db 0x18, 0x04, 0x44, 0x01, 0x1A, 0x03, 0xC1, 0x05, 0x68
setup_end:
        .balign 256
table:  .dw stop, stop, stop, stop, tx, stop, rx, rx
        .bss
head:   .ds 1
tail:   .ds 1
busy:   .ds 1
key:    .ds 1
ring:   .ds 16
