; Takes a line from a keyboard at port B of a PIO, by interrupts. With NO_PRIME port B is never
; read before the first key, and so BRDY never rises.
        .equ PIO_B_DATA,0x49
        .equ PIO_B_CONTROL,0x4B
        .text
start:  ld sp,0
        ld a,table >> 8
        ld i,a
        im 2
        call console_on
        xor a
        ld (last),a
        ld a,table & 0xFF
        out (PIO_B_CONTROL),a
        ld a,0x4F               ; input
        out (PIO_B_CONTROL),a
        ld a,0x83               ; interrupts on
        out (PIO_B_CONTROL),a
        ei
        .ifndef NO_PRIME
        in a,(PIO_B_DATA)
        .endif
wait:   ld a,(last)
        cp 13
        jr nz,wait
        jp echo
key:    push af
        in a,(PIO_B_DATA)
        ld (last),a
        pop af
        ei
        reti
        .balign 256
table:  .word key
        .bss
        .comm last,1
