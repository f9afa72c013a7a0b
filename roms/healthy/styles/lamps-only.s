; No console at all: a running light on the panel, by a delay loop, for ever; the service switch turns
; the direction.
        .include "bench/bench.inc"
        .text
        ld c, 1
again:  ld a, c
        out (PANEL), a
        ld de, 0x4000
1:      dec de
        ld a, d
        or e
        jr nz, 1b
        in a, (PANEL)
        rrca
        jr c, back
        rlc c
        jr again
back:   rrc c
        jr again
