; A line of keys that the receiver's handler gathers; the foreground takes it. As it stands it is
; healthy; with FIRST_ONLY the SIO tells the first character of all and no other.
        .include "../common/zoo.inc"
        .text
start:  ld hl, 0x8000                   ; clear the RAM
        ld de, 0x8001
        ld bc, 0x7FFF
        ld (hl), 0
        ldir
        ld sp, 0
        ld hl, keys
        ld (next), hl
        ld hl, sio_setup
        ld bc, (sio_setup_end - sio_setup) << 8 | SIO_A_CONTROL
        otir
        ld a, 2                         ; the vector stands in channel B
        out (SIO_B_CONTROL), a
        ld a, VEC_SIO
        out (SIO_B_CONTROL), a
        ld a, 1
        out (SIO_B_CONTROL), a
        ld a, 4                         ; the status stands in the vector
        out (SIO_B_CONTROL), a
        ld a, table >> 8
        ld i, a
        im 2
        ld hl, banner
        call print
        ei
wait:   ld a, (whole)
        or a
        jr z, wait
        ld hl, taken
        call print
stop:   halt
        jr stop

print:  ld a, (hl)
        or a
        ret z
        call show
        inc hl
        jr print

receive_isr:
        push af
        push hl
        in a, (SIO_A_DATA)
        ld hl, (next)
        ld (hl), a
        inc hl
        ld (next), hl
        cp 13
        jr nz, 1f
        ld (whole), a
1:      pop hl
        pop af
        ei
        reti
special_isr:                            ; a character with an error is left out
        push af
        ld a, 0x30
        out (SIO_A_CONTROL), a
        in a, (SIO_A_DATA)
        pop af
stray_isr:
        ei
        reti

sio_setup:
.ifdef FIRST_ONLY
        .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0x08
.else
        .byte 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0x18
.endif
sio_setup_end:
banner: .asciz "Harbour log\r\n? "
taken:  .asciz "line taken\r\n"
        .balign 256
table:  .ds VEC_SIO, 0xFF
        .word stray_isr, stray_isr, stray_isr, stray_isr
        .word stray_isr, stray_isr, receive_isr, special_isr
        .ds 256 - VEC_SIO - 16, 0xFF
        .bss
next:   .ds 2
whole:  .ds 1
keys:   .ds 80
