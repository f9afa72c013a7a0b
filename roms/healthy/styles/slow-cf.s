; A CompactFlash that takes its time: each command is tried up to five times with a patient wait,
; the first byte of sector 0 is printed, then the program asks for the number of another one.
        .include "bench/bench.inc"
        .equ CF, 0x60
        .text
        ld sp, 0xFF00
        serial_on
        ld hl, hello
        call puts
        call idle
        ld a, 0xE0
        out (CF+6), a
        call idle
        ld a, 1
        out (CF+1), a
        ld a, 0xEF
        out (CF+7), a
        call idle
        ld a, '0'
show:   and 15
        ld (sector), a
        ld b, 5
try:    push bc
        call read
        pop bc
        jr nc, good
        ld a, 'r'
        call putc
        djnz try
        ld hl, bad
        call puts
        jr ask
good:   ld hl, buffer
        ld a, (hl)
        call hex8
        call newline
ask:    ld a, '>'
        call putc
1:      in a, (SIO_AC)
        rrca
        jr nc, 1b
        in a, (SIO_AD)
        cp '0'
        jr c, 1b
        cp '9' + 1
        jr nc, 1b
        call putc
        jr show
read:   call idle
        ld a, 1
        out (CF+2), a
        ld a, (sector)
        out (CF+3), a
        xor a
        out (CF+4), a
        out (CF+5), a
        ld a, 0xE0
        out (CF+6), a
        ld a, 0x20
        out (CF+7), a
        call idle
        in a, (CF+7)
        rrca
        ret c
        ld hl, buffer
        ld bc, CF
        inir
        inir
        in a, (CF+7)
        rrca
        ret
idle:   in a, (CF+7)
        and 0xC0
        cp 0x40
        jr nz, idle
        ret
        .include "bench/text.inc"
hello:  .asciz "log card "
bad:    .asciz " unreadable\r\n"
        .bss
sector: .ds 1
buffer: .ds 512
