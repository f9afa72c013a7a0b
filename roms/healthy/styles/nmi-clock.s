; The watchdog's NMI is the clock: it strikes a quarter of a second after each kick, and the handler
; kicks again. The foreground shows the seconds; maskable interrupts are never switched on.
        .include "bench/bench.inc"
        .equ DOG, 0xF1
        .text
        jp boot
        .org 0x66, 0xFF
        push af
        ld a, (quarters)
        inc a
        ld (quarters), a
        out (DOG), a
        pop af
        retn
boot:   ld sp, 0x8080
        xor a
        ld (quarters), a
        serial_on
        ld hl, hello
        call puts
        out (DOG), a
        ld c, 0
1:      halt
        ld a, (quarters)
        cp 4
        jr c, 1b
        sub 4
        ld (quarters), a
        ld a, c
        inc a
        daa
        ld c, a
        call hex8
        ld a, 13
        call putc
        jr 1b
        .include "bench/text.inc"
hello:  .asciz "seconds by the dog\r\n"
        .bss
quarters: .ds 1
