; the terminal, polled
        .include "hold.inc"
        .section .text,"ax"
        .globl  tty_init, print, putch, getch, hex
tty_init:
        outp    TTY_C, 0x03
        outp    TTY_C, 0x16             ; /64, 8N1
        ret
print:  ld      a, (hl)
        or      a
        ret     z
        call    putch
        inc     hl
        jr      print
putch:  push    af
put:    in      a, (TTY_C)
        bit     1, a
        jr      z, put
        pop     af
        out     (TTY_D), a
        ret
getch:  in      a, (TTY_C)
        rrca
        jr      nc, getch
        in      a, (TTY_D)
        and     0x7F
        ret
hex:    push    af
        rrca
        rrca
        rrca
        rrca
        call    nib
        pop     af
nib:    and     0x0F
        cp      10
        sbc     a, 0x69
        daa
        jr      putch
