; tell.s - the line to the terminal (polled) and numbers
        .include "plumb.inc"

        .section .text,"ax"
        .globl  say, bare_say, hex2, hex4, verdict, tell_fault, drain

; bare_say: text at HL, back through IX. Uses A only; needs no RAM.
bare_say:
        in      a,(ACIA_C)
        and     0x02                    ; TDRE
        jr      z,bare_say
        ld      a,(hl)
        inc     hl
        or      a
        jr      z,bare_out
        out     (ACIA_D),a
        jr      bare_say
bare_out:
        jp      (ix)

; say: text at HL. IX is kept (shapes needs it).
say:    push    ix
        ld      ix,said
        jr      bare_say
said:   pop     ix
        ret

; put: one character in A
put:    push    af
put1:   in      a,(ACIA_C)
        and     0x02
        jr      z,put1
        pop     af
        out     (ACIA_D),a
        ret

; drain: wait until the last character is out; 20 ms at 31250 baud is plenty
drain:  ld      bc,8000
drain1: dec     bc
        ld      a,b
        or      c
        jr      nz,drain1
        ret

hex4:   ld      a,h
        call    hex2
        ld      a,l
hex2:   push    af
        rrca
        rrca
        rrca
        rrca
        call    hex1
        pop     af
hex1:   and     0x0F
        add     a,0x90
        daa
        adc     a,0x40
        daa
        jr      put

; verdict: true or not, by what went wrong in this page
verdict:
        ld      hl,(badhere)
        ld      a,h
        or      l
        ld      hl,w_true
        jp      z,say
        ld      hl,w_bent
        jp      say

; tell_fault: HL address, C wanted
tell_fault:
        push    hl
        ld      hl,w_at
        call    say
        pop     hl
        push    hl
        call    hex4
        ld      hl,w_want
        call    say
        ld      a,c
        call    hex2
        ld      hl,w_have
        call    say
        pop     hl
        ld      a,(hl)
        jp      hex2
