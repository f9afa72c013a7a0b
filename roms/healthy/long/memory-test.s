; Writes and reads all of RAM with one pattern after another before it says anything: minutes
; of silence.
        .text
start:  ld c, 0
pass:   ld hl, 0x8000
        ld a, c
fill:   ld (hl), a
        inc a
        inc hl
        bit 7, h
        jr nz, fill
        ld hl, 0x8000
        ld a, c
look:   cp (hl)
        jr nz, bad
        inc a
        inc hl
        bit 7, h
        jr nz, look
        ld b, 200                       ; let it stand for a while: cells forget
rest:   djnz rest
        inc c
        jr pass
bad:    halt
        jr bad
