;=============================================================================
; Ribbon - console, a 16550 that is only polled
;=============================================================================
        .include "Ports.inc"
        .global PutC, Print, Hex, NewLine
        .global T_Hello, T_Done, T_Count, T_Sum, T_Help

        .text
; A to the console; a line feed gets its carriage return.
PutC:   cp      10
        jr      nz,1f
        ld      a,13
        call    1f
        ld      a,10
1:      push    af
2:      in      a,(UartStatus)
        and     0x20                    ; holding register empty
        jr      z,2b
        pop     af
        out     (UartData),a
        ret

NewLine:
        ld      a,10
        jr      PutC

Print:  ld      a,(hl)
        or      a
        ret     z
        call    PutC
        inc     hl
        jr      Print

Hex:    push    af
        rrca
        rrca
        rrca
        rrca
        call    1f
        pop     af
1:      and     0x0F
        cp      10
        ccf
        adc     a,'0'
        daa
        jr      PutC

T_Hello:   .asciz "ribbon\n"
T_Done:    .asciz "end of tape\n"
T_Count:   .asciz "punched "
T_Sum:     .asciz " sum "
T_Help:    .asciz "r for the report\n"
