; Two wheels whose turns one handler counts, for a time that a third channel measures. As it
; stands it is healthy; with EARLY the handler lets interrupts in before it has counted.
        .include "../common/zoo.inc"
        .text
start:  ld sp, 0
        ld hl, 0
        ld (turns), hl
        call console_on
        ld hl, banner
        call print
        ld a, table >> 8
        ld i, a
        im 2
        ld a, VEC_CTC
        out (CTC_0), a
        ld a, 0x27                      ; channel 2: timer, /256, constant follows; no interrupt
        out (CTC_0 + 2), a
        xor a
        out (CTC_0 + 2), a              ; 65536 T-states
        ld a, 0x87                      ; interrupt, timer, /16, constant follows
        out (CTC_0 + 1), a
        ld a, 100                       ; 1600 T-states
        out (CTC_0 + 1), a
        ld a, 0x87
        out (CTC_0), a
        ld a, 64                        ; 1024 T-states
        out (CTC_0), a
        ei
        ld b, 20
1:      call wrap
        djnz 1b
        di
        ld hl, (turns)
        ld de, LEAST
        or a
        sbc hl, de
        ld hl, all
        jr nc, 2f
        ld hl, few
2:      call print
        jp echo
        .equ LEAST, 1980                ; 19 whole periods: 19 * 65536 / 1024 + 19 * 65536 / 1600 is 1994

wrap:   in a, (CTC_0 + 2)               ; wait until channel 2 begins anew
        ld c, a
1:      in a, (CTC_0 + 2)
        cp c
        ld c, a
        jr z, 1b
        jr c, 1b
        ret

print:  ld a, (hl)
        or a
        ret z
        call show
        inc hl
        jr print

turn_isr:
.ifdef EARLY
        ei
.endif
        push af
        push bc
        push hl
        ld hl, (turns)
        ld b, 12                        ; let the contact settle
1:      djnz 1b
        inc hl
        ld (turns), hl
        pop hl
        pop bc
        pop af
        ei
        reti

banner: .asciz "Two wheels\r\n"
all:    .asciz "all turns counted\r\n"
few:    .asciz "turns missing\r\n"
        .balign 256
table:  .ds VEC_CTC, 0xFF
        .word turn_isr, turn_isr
        .ds 256 - VEC_CTC - 4, 0xFF
        .bss
turns:  .ds 2
