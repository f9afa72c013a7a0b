; Counts the primes below 30000 by a sieve, many times over, without a word; prints the count and
; halts with interrupts never switched on.
        .include "bench/bench.inc"
        .equ SIZE, 30000
        .text
        ld sp, 0xFFF0
        serial_on
        ld a, 12                ; rounds: a burn-in of the memory, too
        ld (rounds), a
again:  ld hl, sieve
        ld de, sieve + 1
        ld bc, SIZE - 1
        ld (hl), 1
        ldir
        ld de, 2
outer:  ld hl, sieve
        add hl, de
        ld a, (hl)
        or a
        jr z, next
        push de
        pop hl
strike: add hl, de
        jr c, next
        push hl
        ld bc, SIZE
        or a
        sbc hl, bc
        pop hl
        jr nc, next
        push hl
        ld bc, sieve
        add hl, bc
        ld (hl), 0
        pop hl
        jr strike
next:   inc de
        ld hl, SIZE - 1
        or a
        sbc hl, de
        jr nc, outer
        ld hl, rounds
        dec (hl)
        jr nz, again
        ld hl, sieve + 2
        ld bc, SIZE - 2
        ld de, 0
count:  ld a, (hl)
        or a
        jr z, 1f
        inc de
1:      inc hl
        dec bc
        ld a, b
        or c
        jr nz, count
        ld hl, said
        call puts
        ld a, d
        call hex8
        ld a, e
        call hex8
        call newline
        halt
        .include "bench/text.inc"
said:   .asciz "primes below 30000: "
        .bss
rounds: .ds 1
sieve:  .ds SIZE
