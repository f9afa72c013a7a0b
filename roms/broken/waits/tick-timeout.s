; Waits for a modem card with a time-out in ticks; the card is not there, which the time-out
; should see to. With NO_EI interrupts stay off, so that no tick counts and nothing times out.
        .equ ctc,0x28
        .equ acia,0x30
        .equ modem,0xE8
        .text
start:  di
        ld sp,0
        ld a,3
        out (acia),a
        ld a,0x15
        out (acia),a
        xor a
        ld (ticks),a
        ld a,table >> 8
        ld i,a
        im 2
        ld a,table & 0xFF
        out (ctc),a
        ld a,0xA7
        out (ctc),a
        ld a,200
        out (ctc),a
        .ifndef NO_EI
        ei
        .endif
        ld a,(ticks)
        add a,50
        ld e,a
        ld b,3
poll:   in a,(modem)
        bit 7,a
        jr z,found
        ld a,(ticks)
        cp e
        jr nz,poll
        add a,50
        ld e,a
        djnz poll
found:  ld a,'>'
        out (acia+1),a
key:    in a,(acia)
        rra
        jr nc,key
        in a,(acia+1)
        out (acia+1),a
        jr key
tick:   push af
        ld a,(ticks)
        inc a
        ld (ticks),a
        pop af
        ei
        reti
        .balign 256
table:  .dw tick
        .bss
ticks:  .ds 1
