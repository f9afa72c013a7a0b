; Works through the year's tides and looks for a key between two days: any key breaks it off.
        .include "bench/bench.inc"
        .text
        ld sp, stack
        serial_on
        ld hl, hello
        call puts
        ld de, 1
day:    call work
        in a, (SIO_AC)
        rrca
        jr c, broken
        ld a, '.'
        call putc
        inc de
        ld hl, 366
        or a
        sbc hl, de
        jr nz, day
        ld hl, whole
        jr leave
broken: in a, (SIO_AD)
        ld hl, cut
leave:  call puts
        ld a, d
        call hex8
        ld a, e
        call hex8
        call newline
forever:
        in a, (SIO_AC)          ; swallows what is typed from now on
        rrca
        jr nc, forever
        in a, (SIO_AD)
        jr forever
work:   push de                 ; a root by subtraction, some 30 ms
        ld bc, 60
1:      ld hl, 20000
        ld de, 1
2:      or a
        sbc hl, de
        jr c, 3f
        inc de
        inc de
        jr 2b
3:      dec bc
        ld a, b
        or c
        jr nz, 1b
        pop de
        ret
        .include "bench/text.inc"
hello:  .asciz "Tides of the year, any key breaks off\r\n"
whole:  .asciz "\r\nall days: "
cut:    .asciz "\r\nbroken off at day "
        .bss
        .ds 40
stack:
