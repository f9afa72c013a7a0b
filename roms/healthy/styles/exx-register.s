; Handlers own the alternate registers: HL' counts ticks, C' is a mailbox that the foreground reads
; with interrupts off. One more returns its answer in B, on purpose: the foreground waits on B.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0x90, 0xFF
vecs:   .word tick, pulse, 0, 0
tick:   ex af, af'
        exx
        inc hl
        inc e
        ld a, e
        cp 100
        jr nz, 1f
        ld e, 0
        inc c
1:      exx
        ex af, af'
        ei
        reti
pulse:  inc b                   ; the answer
        ei
        reti
boot:   ld sp, 0x8080
        serial_on
        xor a
        ld i, a
        exx
        ld hl, 0
        ld c, l
        ld e, l
        exx
        im 2
        ld a, 0x90
        out (CTC0), a
        ld a, 0xA7
        out (CTC0), a
        ld a, 240
        out (CTC0), a
        ld b, 0
        ei
again:  ld a, 0xA7              ; a shot on channel 1, waited for on B
        out (CTC1), a
        ld a, 100
        out (CTC1), a
1:      ld a, b
        or a
        jr z, 1b
        ld a, 3
        out (CTC1), a
        ld b, 0
        di
        exx
        ld a, c
        exx
        ei
        cp d
        jr z, again
        ld d, a
        call hex8
        ld a, ' '
        call putc
        jr again
        .include "bench/text.inc"
