; The console that machines of the zoo share: an SIO at 20h, polled.
        .include "zoo.inc"
        .global console_on, show, echo
        .text
; Set channel A up; destroys B, C and HL.
console_on:
        ld hl,1f
        ld bc,0x0A21
        otir
        ret
1:      .byte 0x18,4,0x44,3,0xC1,5,0xEA,1,0,0
; Send A to the console.
show:   push af
2:      xor a
        out (SIO_A_CONTROL),a
        in a,(SIO_A_CONTROL)
        and 4
        jr z,2b
        pop af
        out (SIO_A_DATA),a
        ret
; Show a prompt, then keys for ever.
echo:   ld a,'>'
3:      call show
4:      xor a
        out (SIO_A_CONTROL),a
        in a,(SIO_A_CONTROL)
        rrca
        jr nc,4b
        in a,(SIO_A_DATA)
        jr 3b
