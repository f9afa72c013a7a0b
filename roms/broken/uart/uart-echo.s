; Echoes by interrupts on a 16550-type UART. With DLAB the latch bit stays set after the divisor;
; with NO_OUT2 the gate of the interrupt pin stays closed.
        .equ UART,0xD8
        .text
        jp start
        .org 0x38
        push af
        in a,(UART+5)
        rrca
        jr nc,none
        in a,(UART)
        ld (key),a
none:   pop af
        ei
        ret
start:  ld sp,0
        ld a,0x80
        out (UART+3),a
        ld a,12
        out (UART),a
        xor a
        out (UART+1),a
        .ifndef DLAB
        ld a,3
        out (UART+3),a
        .endif
        ld a,7
        out (UART+2),a
        .ifdef NO_OUT2
        ld a,3
        .else
        ld a,0x0B
        .endif
        out (UART+4),a
        xor a
        ld (key),a
        im 1
        ld a,1
        out (UART+1),a
        ld a,'>'
        call send
        ei
wait:   ld a,(key)
        or a
        jr z,wait
        call send
        xor a
        ld (key),a
        jr wait
send:   push af
1:      in a,(UART+5)
        and 0x20
        jr z,1b
        pop af
        out (UART),a
        ret
        .bss
        .comm key,1
