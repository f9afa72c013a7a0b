; HOLDSTOW: writes lots on the card, reads them back, stows them on a floppy,
; and checks what lies there. Everything polled, everything with a time-out.
        .include "hold.inc"
        .section .boot,"ax"
        .globl  boot
boot:   di
        ld      sp, sp_top
        ld      hl, ram_lo
        ld      de, ram_lo+1
        ld      bc, ram_used-1
        ld      (hl), 0
        ldir
        jp      main
        .org    0x66
        retn

        .section .text,"ax"
main:   call    tty_init
        ld      hl, m_hello
        call    print

; ---- the card ----
        call    cf_start
        jp      c, give_up
        ld      hl, m_card
        call    print
        ld      hl, hold
        ld      (here), hl
        xor     a
        ld      (lot), a
lots:   call    one_lot
        jp      c, give_up
        ld      hl, (here)
        ld      de, 512
        add     hl, de
        ld      (here), hl
        ld      hl, lot
        inc     (hl)
        ld      a, (hl)
        cp      LOTS
        jr      nz, lots
        ld      hl, m_nl
        call    print

; ---- the floppy ----
        call    fd_start
        jp      c, give_up
        ld      hl, m_disk
        call    print
        call    fd_format
        jp      c, give_up
        ld      hl, m_formed
        call    print
        ld      hl, hold
        ld      (here), hl
        ld      a, 1
        ld      (sector), a
stow:   call    fd_put
        jp      c, give_up
        call    fd_get
        jp      c, give_up
        call    compare
        jp      c, give_up
        ld      a, '*'
        call    putch
        ld      hl, (here)
        ld      de, 512
        add     hl, de
        ld      (here), hl
        ld      hl, sector
        inc     (hl)
        ld      a, (hl)
        cp      LOTS+1
        jr      nz, stow
        call    fd_stop
        ld      hl, m_done
        call    print
        jr      desk

give_up:
        call    complain
        call    fd_stop
        ld      hl, m_gave
        call    print

; ---- afterwards: r tells once more how many retries there were ----
desk:   ld      hl, m_desk
        call    print
desk1:  call    getch
        cp      'r'
        jr      nz, desk1
        ld      hl, m_retry
        call    print
        ld      a, (retries)
        call    hex
        jr      desk

; one lot: write, read back; three tries, then the spare place
one_lot:
        call    make
        ld      a, (lot)
        add     a, PLACE
        call    lot_at
        ret     nc
        call    complain
        ld      a, (lot)
        add     a, SPARE
; A = sector of the card; three tries
lot_at: ld      (lba), a
        ld      b, 3
tries:  push    bc
        call    cf_write
        call    nc, cf_read
        pop     bc
        jr      nc, fits
        ld      hl, retries
        inc     (hl)
        djnz    tries
        scf
        ret
fits:   ld      a, '+'
        call    putch
        or      a
        ret

; a lot's contents: low byte of the address, and 37 times its number
make:   ld      a, (lot)
        ld      b, a
        xor     a
        inc     b
make1:  add     a, 37
        djnz    make1
        ld      c, a
        ld      hl, (here)
        ld      de, 512
make2:  ld      a, l
        add     a, c
        xor     d
        ld      (hl), a
        inc     hl
        dec     de
        ld      a, d
        or      e
        jr      nz, make2
        ret

compare:
        ld      hl, (here)
        ld      de, back
        ld      bc, 512
comp1:  ld      a, (de)
        cpi
        jr      nz, comp2
        inc     de
        jp      pe, comp1
        or      a
        ret
comp2:  ld      a, E_DIFF
        ld      (error), a
        scf
        ret

; the text of the error, and where
complain:
        ld      a, (error)
        add     a, a
        ld      e, a
        ld      d, 0
        ld      hl, texts
        add     hl, de
        ld      a, (hl)
        inc     hl
        ld      h, (hl)
        ld      l, a
        call    print
        ld      hl, m_lot
        call    print
        ld      a, (lba)
        call    hex
        ld      hl, m_nl
        jp      print

texts:  .word   x_none, x_ready, x_nodrq, x_abrt, x_unc, x_mute
        .word   x_seek, x_form, x_write, x_read, x_diff
x_none: .asciz  "\r\n? nothing wrong"
x_ready:.asciz  "\r\n? the card is not ready"
x_nodrq:.asciz  "\r\n? the card gives no data"
x_abrt: .asciz  "\r\n? the card refuses"
x_unc:  .asciz  "\r\n? the card cannot read"
x_mute: .asciz  "\r\n? the floppy is mute"
x_seek: .asciz  "\r\n? the head is lost"
x_form: .asciz  "\r\n? no format"
x_write:.asciz  "\r\n? floppy will not take it"
x_read: .asciz  "\r\n? floppy will not give it"
x_diff: .asciz  "\r\n? not what was stowed"
m_hello:.asciz  "\r\nHOLDSTOW\r\n"
m_card: .asciz  "card: "
m_disk: .asciz  "floppy: "
m_formed:.asciz "formatted "
m_done: .asciz  "\r\nall stowed\r\n"
m_gave: .asciz  "given up\r\n"
m_desk: .asciz  "r for retries> "
m_retry:.asciz  "\r\nretries "
m_lot:  .asciz  ", lot at "
m_nl:   .asciz  "\r\n"

        .section .bss,"aw",@nobits
        .globl  here, lba, error, sector, back
here:   .space  2
lba:    .space  1
lot:    .space  1
error:  .space  1
sector: .space  1
retries:.space  1
hold:   .space  512*LOTS
back:   .space  512
