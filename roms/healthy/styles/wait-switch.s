; Waits until somebody opens the service switch; nothing else happens, and no key counts.
        .include "bench/bench.inc"
        .text
        ld sp, 0x8100
        serial_on
        ld hl, ask
        call puts
closed: in a, (PANEL)
        rrca
        jr nc, closed
        ld hl, thanks
        call puts
        ld a, 1
        out (PANEL), a
opened: in a, (PANEL)
        rrca
        jr c, opened
        xor a
        out (PANEL), a
        ld hl, ask
        call puts
        jr closed
        .include "bench/text.inc"
ask:    .asciz "Open the service switch, please.\r\n"
thanks: .asciz "Service.\r\n"
