; Work that takes long and must not be called a hang: WORK picks which. A character comes at the end.
        .equ acia,0x30
        .equ ctc,0x28
        .text
start:  di
        ld sp,0
        ld a,3
        out (acia),a
        ld a,0x15
        out (acia),a
        .ifdef DELAY
        ld b,0                  ; three loops inside one another, a quarter of an hour
long:   ld de,0
middle: ld c,0
inner:  dec c
        jr nz,inner
        dec de
        ld a,d
        or e
        jr nz,middle
        djnz long
        .endif
        .ifdef MEMORY_TEST
        ld e,0
pass:   ld hl,0x8000
fill:   ld a,l
        xor h
        xor e
        ld (hl),a
        inc hl
        ld a,h
        cp 0xF0
        jr nz,fill
        ld hl,0x8000
check:  ld a,l
        xor h
        xor e
        cp (hl)
        jp nz,bad
        inc hl
        ld a,h
        cp 0xF0
        jr nz,check
        inc e
        jr nz,pass
        .endif
        .ifdef NAP
        ld hl,0
        ld (ticks),hl
        ld a,table >> 8
        ld i,a
        im 2
        ld a,table & 0xFF
        out (ctc),a
        ld a,0xA7
        out (ctc),a
        ld a,156
        out (ctc),a
        ei
        ld de,2000              ; twenty seconds of ticks
rest:   halt
        ld hl,(ticks)
        or a
        sbc hl,de
        jr c,rest
        .endif
        .ifdef GAME
        ld hl,0
        ld (ticks),hl
        ld a,table >> 8
        ld i,a
        im 2
        ld a,table & 0xFF
        out (ctc),a
        ld a,0xA7
        out (ctc),a
        ld a,156
        out (ctc),a
        ei
        xor a
        ld (place),a
        ld (speed),a
        inc a
        ld (speed),a
frame:  ld a,(ticks)
        ld b,a
same:   ld a,(ticks)
        cp b
        jr z,same
        ld a,(place)
        ld hl,speed
        add a,(hl)
        ld (place),a
        cp 79
        jr z,turn
        or a
        jr nz,draw
turn:   ld a,(speed)
        neg
        ld (speed),a
draw:   ld a,(place)
        ld l,a
        ld h,0x90
        ld (hl),'*'
        jr frame
        .endif
        ld a,'>'
        out (acia+1),a
key:    in a,(acia)
        rra
        jr nc,key
        in a,(acia+1)
        out (acia+1),a
        jr key
bad:    ld a,'!'
        out (acia+1),a
        jr key
tick:   push hl
        ld hl,(ticks)
        inc hl
        ld (ticks),hl
        pop hl
        ei
        reti
        .balign 256
table:  .dw tick
        .bss
ticks:  .ds 2
place:  .ds 1
speed:  .ds 1
