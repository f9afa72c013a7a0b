; Prints a text on a Centronics-like device at port A of a PIO, one interrupt a byte.
        .equ PIO_A_DATA,0x48
        .equ PIO_A_CONTROL,0x4A
        .text
start:  ld sp,0
        ld a,table >> 8
        ld i,a
        im 2
        call console_on
        ld a,table & 0xFF
        out (PIO_A_CONTROL),a
        ld a,0x0F               ; output
        out (PIO_A_CONTROL),a
        ld a,0x83               ; interrupts on
        out (PIO_A_CONTROL),a
        xor a
        ld (done),a
        ld hl,text
        ld (place),hl
        ei
        ld a,'*'
        out (PIO_A_DATA),a
wait:   ld a,(done)
        or a
        jr z,wait
        jp echo
taken:  push af
        push hl
        ld hl,(place)
        ld a,(hl)
        inc hl
        ld (place),hl
        or a
        jr z,ends
        out (PIO_A_DATA),a
        jr out
ends:   inc a
        ld (done),a
out:    pop hl
        pop af
        ei
        reti
text:   .asciz "gauge log"
        .balign 256
table:  .word taken
        .bss
        .comm done,1
        .comm place,2
