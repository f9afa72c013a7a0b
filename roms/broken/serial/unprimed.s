; Puts its greeting into a ring and lets transmit interrupts empty it, but nobody sends the
; first byte, so the transmitter never becomes empty.
        .include "../common/zoo.inc"
        .text
start:  ld sp, stack_top
        ld hl, setup
        ld bc, (setup_end - setup) << 8 | SIO_A_CONTROL
        otir
        ld a, 2
        out (SIO_B_CONTROL), a
        ld a, VEC_SIO
        out (SIO_B_CONTROL), a
        ld a, table >> 8
        ld i, a
        im 2
        ld hl, greeting
        ld (next), hl
        ld a, greeting_end - greeting
        ld (left), a
        ei
drain:  ld a, (left)
        or a
        jr nz, drain
again:  in a, (SIO_A_CONTROL)
        rrca
        jr nc, again
        in a, (SIO_A_DATA)
        jr again
transmit_isr:
        push af
        push hl
        ld a, (left)
        or a
        jr z, 1f
        dec a
        ld (left), a
        ld hl, (next)
        ld a, (hl)
        inc hl
        ld (next), hl
        out (SIO_A_DATA), a
        jr 2f
1:      ld a, 0x28                      ; reset transmit interrupt pending
        out (SIO_A_CONTROL), a
2:      pop hl
        pop af
        ei
        reti
setup:  .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0x02
setup_end:
greeting: .ascii "Lock gate controller\r\n"
greeting_end:
        .balign 256
table:  .ds VEC_SIO, 0
        .word transmit_isr
        .bss
next:   .ds 2
left:   .ds 1
        .ds 64
stack_top:
