; Waits for a flag that a handler should set, and stirs a random number meanwhile: the state of
; the machine never comes back, and still nothing changes. With POSTS the flag is set in time.
        .equ acia,0x30
        .text
start:  di
        ld sp,0
        ld a,3
        out (acia),a
        ld a,0x15
        out (acia),a
        xor a
        ld (flag),a
        ld hl,seed
        ld (hl),1
        .ifdef POSTS
        ld hl,flag
        inc (hl)
        .endif
        ld ix,block
wait:   ld hl,(seed)
        ld de,(seed+2)
        add hl,hl
        rl e
        rl d
        inc hl
        ld (seed),hl
        ld (seed+2),de
        bit 0,(ix+3)           ; flag
        jr z,wait
        ld a,'>'
        out (acia+1),a
key:    in a,(acia)
        rra
        jr nc,key
        in a,(acia+1)
        out (acia+1),a
        jr key
        .bss
block:  .ds 3
flag:   .ds 1
seed:   .ds 4
