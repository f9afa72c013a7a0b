; Asks a controller that is not there, with a time-out by counting, and tries again for ever: no
; single wait is endless, but all of it together is.
        .equ drive,0xE0
        .text
start:  di
        ld sp,0
again:  ld c,3
try:    ld a,0xD0
        out (drive),a
        ld de,2000
busy:   in a,(drive)
        rra
        jr nc,found
        dec de
        ld a,d
        or e
        jr nz,busy
        dec c
        jr nz,try
        ld b,200
rest:   djnz rest
        jr again
found:  in a,(drive+3)
        ld (0x8000),a
stop:   halt
        jr stop
