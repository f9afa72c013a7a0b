; Serial output by hand on bit 7 of the panel, 2400 baud, interrupts off for good: one level each half
; second, for a display across the yard. The SIO is never touched.
        .include "bench/bench.inc"
        .text
        di
        ld sp, 0x8100
        ld a, 0x80
        out (PANEL), a
        ld c, 0
again:  ld a, c
        call send
        ld a, c
        add a, 1
        daa
        ld c, a
        ld de, 0xF000
1:      dec de
        ld a, d
        or e
        nop
        nop
        jr nz, 1b
        jr again
send:   ld e, a
        or a
        call bit                ; start
        ld d, 8
1:      rr e
        call bit
        dec d
        jr nz, 1b
        scf
bit:    sbc a, a
        and 0x80
        out (PANEL), a
        ld b, 190
2:      djnz 2b
        ret
