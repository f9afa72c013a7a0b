; A small mode 2 machine: the CTC ticks, the SIO interrupts for each character, the
; foreground sleeps ten ticks and then echoes. Assembled as it stands it is healthy; each
; DEFECT plants one mistake.
        .include "zoo.inc"
        .macro return_from_tick
.ifdef DEFECT_RET
        ei
        ret
.else
        ei
        reti
.endif
        .endm
        .text
.ifdef DEFECT_MODE                      ; the restart that nobody is meant to come to
        jp start
        .org 0x38, 0xFF
        ei
        reti
.endif
start:  ld sp, stack_top
        xor a
        ld (ticks), a
        ld (key), a
        ld hl, sio_setup
        ld bc, (sio_setup_end - sio_setup) << 8 | SIO_A_CONTROL
        otir
        ld a, 2                         ; the vector stands in channel B
        out (SIO_B_CONTROL), a
.ifdef DEFECT_ODD
        ld a, VEC_SIO + 1
.else
        ld a, VEC_SIO
.endif
        out (SIO_B_CONTROL), a
        ld a, VEC_CTC
        out (CTC_0), a
.ifdef DEFECT_TRIGGER
        ld a, 0xAF                      ; timer that waits for an edge at CLK/TRG
.else
.ifdef DEFECT_FAST
        ld a, 0x87                      ; /16 for /256
.else
        ld a, 0xA7                      ; interrupt, timer, /256, constant follows
.endif
.endif
        out (CTC_0), a
.ifdef DEFECT_FAST
        ld a, 5                         ; 80 T-states
.else
        ld a, 156                       ; 100 Hz at 4 MHz
.endif
        out (CTC_0), a
.ifndef DEFECT_NO_I
        ld a, table >> 8
        ld i, a
.endif
.ifdef DEFECT_MODE
        im 1
.else
        im 2
.endif
        ld hl, banner
        call print
.ifndef DEFECT_NO_EI
        ei
.endif
        ld a, (ticks)
        add a, 10
        ld b, a
sleep:  ld a, (ticks)
        cp b
        jr nz, sleep
again:  ld hl, prompt
        call print
wait:   ld hl, key
1:
.ifdef LONG_DI                          ; a section that takes longer than a tick
        di
        ld de, 2000
2:      dec de
        ld a, d
        or e
        jr nz, 2b
        ei
.endif
        ld a, (hl)
        or a
        jr z, 1b
        ld (hl), 0
        call putc
        cp 13
        jr nz, wait
        jr again

print:  ld a, (hl)
        or a
        ret z
        call putc
        inc hl
        jr print
putc:   push af
1:      in a, (SIO_A_CONTROL)
        and 4
        jr z, 1b
        pop af
        out (SIO_A_DATA), a
        ret

tick_isr:
        push af
        ld a, (ticks)
        inc a
        ld (ticks), a
        pop af
        return_from_tick

receive_isr:
        push af
.ifndef DEFECT_NO_READ
        in a, (SIO_A_DATA)
        ld (key), a
.endif
        pop af
        ei
        reti

sio_setup:
        .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0x18
sio_setup_end:
banner: .asciz "Tide gauge, berth 3\r\n"
prompt: .asciz "\r\n? "
        .balign 256
table:  .ds VEC_CTC, 0xFF
        .word tick_isr
        .ds VEC_SIO - VEC_CTC - 2, 0xFF
        .word receive_isr
        .ds 256 - VEC_SIO - 2, 0xFF
        .bss
ticks:  .ds 1
key:    .ds 1
        .ds 64
stack_top:
