; Reads a sector with interrupts on while the counter ticks 2000 times a second: each handler
; takes 110 us, and a byte waits 26.
        .equ counter,0x28
        .text
start:  ld sp,0
        ld a,vectors>>8
        ld i,a
        im 2
        jp begin
        .balign 16
vectors:
        .word tick
tick:   push bc
        ld b,32
1:      djnz 1b
        pop bc
        ei
        reti
begin:  ld a,2
        call reset_controller
        call spin_up
        call recalibrate
        ld a,vectors&0xFF
        out (counter),a
        ld a,0x87
        out (counter),a
        ld a,125
        out (counter),a
        ei
again:  xor a
        ld (result+6),a
        call read_sector
        ld a,(result+1)
        and 0x7F
        jr nz,again
        ld a,(result+6)                 ; N: 2 if all seven came
        cp 2
        jr nz,again
        di
        halt
