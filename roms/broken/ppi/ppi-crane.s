; Switches a crane on by two lines of an 8255's port C, and waits for the contacts that tell.
; LATE_MODE: the mode word comes behind the outputs.  BIT_7: a bit set is sent with bit 7 set.
        .equ PPI_B,0x4D
        .equ PPI_C,0x4E
        .equ PPI_CONTROL,0x4F
        .equ PANEL,0xF0
        .equ B_IN,0x82                  ; port B in, A and C out
        .text
start:  ld sp,0
        call console_on
.ifdef LATE_MODE
        ld a,0x80
        out (PPI_C),a
        ld a,B_IN
        out (PPI_CONTROL),a
.else
        ld a,B_IN
        out (PPI_CONTROL),a
        ld a,0x80                       ; PC7 high: the motor; PC6 low: the brake is off
        out (PPI_C),a
.endif
.ifdef BIT_7
        ld a,0x81                       ; 01h would set PC0, a lamp
.else
        ld a,0x01
.endif
        out (PPI_CONTROL),a
wait:   in a,(PANEL)
        and 3
        cp 1
        jr nz,wait
        jp echo
