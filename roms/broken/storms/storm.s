; Turns the transmit interrupt of a 6850-type chip on, and its handler never turns it off nor
; writes a byte: the request stays, and the foreground never gets an instruction. With NESTS the
; handler allows interrupts at once, so that it calls itself and the stack runs through memory.
        .equ acia,0x30
        .text
start:  di
        ld sp,0
        jr boot
        .org 0x38
        .ifdef NESTS
        ei
        .endif
        push af
        in a,(acia)
        rra
        jr nc,out38
        in a,(acia+1)
        ld (key),a
out38:
        .ifdef CLEARS
        ld a,0x95
        out (acia),a
        .endif
        pop af
        ei
        reti
boot:   im 1
        xor a
        ld (key),a
        ld a,3
        out (acia),a
        ld a,0xB5
        out (acia),a
        ei
        ld de,20000
slow:   dec de
        ld a,d
        or e
        jr nz,slow
        ld a,'>'
        out (acia+1),a
wait:   ld a,(key)
        or a
        jr z,wait
        out (acia+1),a
        xor a
        ld (key),a
        jr wait
        .bss
key:    .ds 1
