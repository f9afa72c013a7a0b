; PLUMBLINE: tries every page of the RAM chip, tells, and stops.
; start.s - from power-up to the last HALT
        .include "plumb.inc"

        .section .boot,"ax"
        .globl  cold
cold:   di
        jp      begin

        .org    0x38
; nothing here ever interrupts. If we come by we fell into FFh: show it and stop.
astray: ld      a,0xAA
        out     (LAMPS),a
        di
        halt

        .org    0x66
        retn

begin:  xor     a
        out     (PG0),a                 ; this very page
        inc     a
        out     (PG1),a                 ; the words
        ld      a,FIRST
        out     (PG2),a
        ld      a,HOME
        out     (PG7),a
        ld      a,1
        out     (LATCH),a               ; from here on the registers count
        xor     a
        out     (LAMPS),a

        ld      a,0x03                  ; master reset
        out     (ACIA_C),a
        ld      a,0x15                  ; /16, 8N1, RTS on, no interrupts
        out     (ACIA_C),a

        ld      hl,w_hello
        ld      ix,begin1
        jp      bare_say                ; no stack yet: return address in IX
begin1:
; the yard: 512 bytes with registers only
        ld      c,4                     ; four values a byte: 01 04 10 40, then complement
        ld      d,0x01
yard1:  ld      hl,YARD
yard2:  ld      a,d
        ld      (hl),a
        cp      (hl)
        jr      nz,yardbad
        cpl
        ld      (hl),a
        cp      (hl)
        jr      nz,yardbad
        inc     hl
        ld      a,h
        or      l
        jr      nz,yard2
        rlc     d
        rlc     d
        dec     c
        jr      nz,yard1
; and once more with each byte its own, so that no two are the same cell
        ld      hl,YARD
yard3:  ld      a,l
        add     a,h
        ld      (hl),a
        inc     hl
        ld      a,h
        or      l
        jr      nz,yard3
        ld      hl,YARD
yard4:  ld      a,l
        add     a,h
        cp      (hl)
        jr      nz,yardbad
        inc     hl
        ld      a,h
        or      l
        jr      nz,yard4
        jr      yardok

yardbad:
        ld      hl,w_yard
        ld      ix,stop
        jp      bare_say

yardok: ld      sp,STACK
        ld      hl,vars                 ; all variables to 0
        ld      de,vars+1
        ld      bc,vars_len-1
        ld      (hl),0
        ldir

        ld      hl,w_home
        call    say
        call    home_trial
        call    verdict

        ld      a,FIRST
        ld      b,COUNT
each:   push    bc
        push    af
        call    page_trial
        pop     af
        inc     a
        pop     bc
        djnz    each

        call    tags                    ; are they really three different pages?

        ld      hl,(faults)
        ld      a,h
        or      l
        ld      hl,w_good
        jr      z,last
        ld      hl,w_poor
last:   call    say
        ld      hl,(faults)
        call    hex4
        ld      hl,w_end
        call    say
        call    drain
stop:   ld      a,0x80
        out     (LAMPS),a
        di
        halt
        jr      stop
