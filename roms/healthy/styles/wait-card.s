; Asks for a log card and looks twice a second whether one is in the socket.
        .include "bench/bench.inc"
        .equ CF, 0x60
        .text
        ld sp, 0x9000
        serial_on
        ld hl, ask
        call puts
look:   ld a, 0xE0
        out (CF+6), a
        ld a, 0x55              ; a register that keeps what is written, if anybody is there
        out (CF+3), a
        ld a, 0xAA
        out (CF+4), a
        in a, (CF+3)
        cp 0x55
        jr nz, none
        in a, (CF+4)
        cp 0xAA
        jr z, there
none:   ld bc, 0
1:      ex (sp), hl
        ex (sp), hl
        dec bc
        ld a, b
        or c
        jr nz, 1b
        jr look
there:  in a, (CF+7)
        rlca
        jr c, there
        ld hl, thanks
        call puts
        halt
        .include "bench/text.inc"
ask:    .asciz "Put the log card in.\r\n"
thanks: .asciz "Card is in.\r\n"
