; Waits some twenty seconds for a drive to come up: nested counters, nothing else.
        .text
start:  ld sp, 0
        ld c, 0
1:      ld de, 0
2:      dec de
        ld a, d
        or e
        jr nz, 2b
        dec c
        jr nz, 1b
        ld a, 0x18
        out (0x21), a
stop:   ei
        halt
        jr stop
