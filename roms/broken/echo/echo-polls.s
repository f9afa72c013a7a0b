; A foreground that echoes keys by polling while it waits for a tick to show its next reading: a
; key wakes its echo, but without the timer no reading ever comes.
        .equ ctc,0x28
        .equ acia,0x30
        .text
start:  di
        ld sp,0
        jp boot
        .org 0x38
        ei
        reti
        .org 0x40
table:  .dw tick
boot:   ld a,3
        out (acia),a
        ld a,0x15
        out (acia),a
        ld hl,0
        ld (ticks),hl
        xor a
        ld i,a
        im 2
        ld a,table
        out (ctc),a
        ld a,0xA7               ; interrupt, timer, by 256, constant follows
        out (ctc),a
        ld a,156
        out (ctc),a
        ei
        ld a,'*'
        call put
wait:   in a,(acia)
        rra
        jr nc,quiet
        in a,(acia+1)
        call put
quiet:  ld hl,(ticks)
        ld de,50
        or a
        sbc hl,de
        jr c,wait
        ld hl,0
        di
        ld (ticks),hl
        ei
        ld a,'~'                ; the reading
        call put
        jr wait
put:    push af
full:   in a,(acia)
        and 2
        jr z,full
        pop af
        out (acia+1),a
        ret
tick:   push hl
        ld hl,(ticks)
        inc hl
        ld (ticks),hl
        pop hl
        ei
        reti
        .bss
ticks:  .ds 2
