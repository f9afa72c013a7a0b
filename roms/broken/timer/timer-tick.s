; Sleeps ten ticks of an 82C54's counter 1, then echoes keys. HALF writes one byte of the count, ONCE
; takes a mode that ends, TRIGGER one that begins with an edge of GATE.
        .equ COUNTER_1,0xA9
        .equ CONTROL,0xAB
        .equ ACKNOWLEDGE,0xAC
        .text
start:  ld sp,0
        jp main
        .org 0x38
tick:   push af
        out (ACKNOWLEDGE),a
        ld a,(ticks)
        inc a
        ld (ticks),a
        pop af
        ei
        ret
main:   call console_on
        xor a
        ld (ticks),a
        .ifdef ONCE
        ld a,0x70                       ; mode 0
        .else
        .ifdef TRIGGER
        ld a,0x7A                       ; mode 5
        .else
        ld a,0x74                       ; mode 2
        .endif
        .endif
        out (CONTROL),a
        ld a,0x00
        out (COUNTER_1),a
        .ifndef HALF
        ld a,0x10                       ; 1000h: some 375 Hz of 1.536 MHz
        out (COUNTER_1),a
        .endif
        out (ACKNOWLEDGE),a
        im 1
        ei
wait:   ld a,(ticks)
        cp 10
        jr c,wait
        jp echo
        .bss
        .comm ticks,1
