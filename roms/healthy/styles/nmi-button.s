; The sheet is printed each time the button pulls NMI; between two presses the CPU stands in HALT with
; interrupts off, as long as nobody presses.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0x66, 0xFF
        push af
        push hl
        ld hl, sheet
        call puts
        pop hl
        pop af
        retn
boot:   ld sp, 0x8100
        serial_on
        ld hl, hello
        call puts
        di
1:      halt
        jr 1b
        .include "bench/text.inc"
hello:  .asciz "press for the sheet\r\n"
sheet:  .asciz "level 2.7 m, ebb\r\n"
