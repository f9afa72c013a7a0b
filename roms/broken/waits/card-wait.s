; Waits for a card without a terminal: for a switch at a parallel latch (40h outputs, 41h inputs),
; and with symbol COUNT for four edges at CLK/TRG 1 of the CTC, which it counts by reading.
        .include "../common/zoo.inc"
        .equ LAMPS, 0x40
        .equ SWITCHES, 0x41
        .equ CTC_1, 0x29
        .text
start:  di
        ld sp,0
        call console_on
        ld a,'?'
        call show
        .ifdef COUNT
        ld a,0x47               ; counter, falling edge, constant follows: no interrupt
        out (CTC_1),a
        ld a,200
        out (CTC_1),a
edges:  in a,(CTC_1)
        cp 197
        jr nc,edges
        .else
        ld a,0x01
        out (LAMPS),a           ; the lamp "ready for the float"
float:  in a,(SWITCHES)
        bit 3,a
        jr nz,float             ; the float's switch pulls it low
        .endif
        jp echo
