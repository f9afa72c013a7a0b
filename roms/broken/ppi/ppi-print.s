; Prints a text on a Centronics-like device at port A of an 8255 in mode 1, an interrupt a byte.
; With NO_INTE the bit set of PC6 stands before the mode word, which clears it.
        .equ PPI_A,0x4C
        .equ PPI_CONTROL,0x4F
        .equ OUT_MODE_1,0xA0
        .equ SET_PC6,0x0D               ; INTE of the output handshake
        .text
start:  ld sp,0
        jp begin
        .org 0x38
room:   push af
        push hl
        ld hl,(place)
        ld a,(hl)
        or a
        jr z,ends
        inc hl
        ld (place),hl
        out (PPI_A),a
        jr out
ends:   ld a,0x0C                       ; no byte more: INTE off
        out (PPI_CONTROL),a
        ld (done),a
out:    pop hl
        pop af
        ei
        ret
begin:  call console_on
        im 1
        xor a
        ld (done),a
        ld hl,text
        ld (place),hl
.ifdef NO_INTE
        ld a,SET_PC6
        out (PPI_CONTROL),a
        ld a,OUT_MODE_1
.else
        ld a,OUT_MODE_1
        out (PPI_CONTROL),a
        ld a,SET_PC6
.endif
        out (PPI_CONTROL),a
        ei
wait:   ld a,(done)
        or a
        jr z,wait
        jp echo
text:   .asciz "harbour log"
        .bss
        .comm done,1
        .comm place,2
