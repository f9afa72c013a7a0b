; A burn-in of the upper RAM for days: a march of ones and zeros, its round counted on the lamps, a word
; only when a cell fails. No stack while it marches.
        .include "bench/bench.inc"
        .text
        ld sp, 0x8100
        serial_on
        ld hl, hello
        call puts
        ld c, 0
round:  inc c
        ld a, c
        out (PANEL), a
        ld d, 0x55
march:  ld hl, 0x9000
1:      ld (hl), d
        inc hl
        ld a, h
        or l
        jr nz, 1b
        ld hl, 0x9000
2:      ld a, (hl)
        cp d
        jr nz, failed
        inc hl
        ld a, h
        or l
        jr nz, 2b
        ld a, d
        cpl
        ld d, a
        cp 0x55
        jr nz, march
        jr round
failed: ld a, h
        call hex8
        ld a, l
        call hex8
        di
        halt
        .include "bench/text.inc"
hello:  .asciz "burn-in\r\n"
