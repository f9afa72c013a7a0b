; A clock that ticks beside a console that answers. As it stands the console is polled; with HEARD
; its receiver interrupts, and reports come by the clock; with SILENT the timer counts and may not
; interrupt, with NO_CONSTANT it never begins.
        .include "../common/zoo.inc"
        .text
start:  ld sp, 0
        ld hl, 0
        ld (ticks), hl
        xor a
        ld (key), a
        ld hl, sio_setup
        ld bc, (sio_setup_end - sio_setup) << 8 | SIO_A_CONTROL
        otir
        ld a, 2
        out (SIO_B_CONTROL), a
        ld a, VEC_SIO
        out (SIO_B_CONTROL), a
        ld a, VEC_CTC
        out (CTC_0), a
.ifdef SILENT
        ld a, 0x27
.else
        ld a, 0xA7                      ; interrupt, timer, /256, constant follows
.endif
        out (CTC_0), a
.ifndef NO_CONSTANT
        ld a, 156                       ; 100 Hz
        out (CTC_0), a
.endif
        ld a, table >> 8
        ld i, a
        im 2
        ld hl, banner
        call print
        ei
.ifndef HEARD
        jp echo
.else
again:  ld a, (key)
        or a
        jr nz, answer
        ld a, (ticks)
        cp 20
        jr c, again
        xor a                           ; a report five times a second
        ld (ticks), a
        ld hl, report
        call print
        jr again
answer: call show
        xor a
        ld (key), a
        jr again
.endif

print:  ld a, (hl)
        or a
        ret z
        call show
        inc hl
        jr print

tick_isr:
        push hl
        ld hl, (ticks)
        inc hl
        ld (ticks), hl
        pop hl
        ei
        reti
receive_isr:
        push af
        in a, (SIO_A_DATA)
        ld (key), a
        pop af
        ei
        reti

sio_setup:
.ifdef HEARD
        .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0x18
.else
        .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0
.endif
sio_setup_end:
banner: .asciz "Harbour desk\r\n"
report: .asciz "level 214\r\n"
        .balign 256
table:  .ds VEC_CTC, 0xFF
        .word tick_isr
        .ds VEC_SIO - VEC_CTC - 2, 0xFF
        .word receive_isr
        .ds 256 - VEC_SIO - 2, 0xFF
        .bss
ticks:  .ds 2
key:    .ds 1
