; A gauge that waits for a valve before it greets; what is wrong stands in the defines.
; COPY_OVER_CODE: the scale is copied over the routine that prints.
; UNSET: the valve's state is read before anybody has written it.
        .include "../common/zoo.inc"
        .text
start:  di
        ld sp, 0
        ld hl, setup
        ld bc, (setup_end - setup) << 8 | SIO_A_CONTROL
        otir
        ld hl, putc_rom                 ; the printing routine runs in RAM, as in a banked system
        ld de, putc
        ld bc, putc_end - putc_rom
        ldir
.ifndef UNSET
        xor a
        ld (valve), a
.endif
        ld hl, hello
        call print
1:      ld a, (valve)                   ; closed when it is 0
        or a
        jr nz, 1b
.ifdef COPY_OVER_CODE
        ld hl, scale
        ld de, marks
        ld bc, 12                       ; the room is for 4
        ldir
.endif
        ld hl, ready
        call print
2:      in a, (SIO_A_CONTROL)
        rrca
        jr nc, 2b
        in a, (SIO_A_DATA)
        call putc
        jr 2b

print:  ld a, (hl)
        or a
        ret z
        call putc
        inc hl
        jr print

putc_rom:
        push af
3:      in a, (SIO_A_CONTROL)
        and 0x04
        jr z, 3b
        pop af
        out (SIO_A_DATA), a
        ret
putc_end:

scale:  .db 0x18, 0xfe, 0x18, 0xfe, 0x18, 0xfe, 0x18, 0xfe, 0x18, 0xfe, 0x18, 0xfe
hello:  .asciz "\r\nGauge 4\r\n"
ready:  .asciz "open> "
setup:  .db 0x18, 0x04, 0x44, 0x03, 0xc1, 0x05, 0x68
setup_end:
        .bss
        .ds 0x100
valve:  .ds 1
marks:  .ds 4
putc:   .ds 16
