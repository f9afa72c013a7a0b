; shapes.s - what is laid into memory. HL = address; A = the byte; nothing else changes.
        .include "plumb.inc"

        .section .text,"ax"
        .globl  shape_tab

; rows, ruled at right angles: low address xor high address
weave:  ld      a,l
        xor     h
        ret

; the same again upside down, with the page mixed in
keel:   ld      a,(page)
        add     a,a
        xor     l
        sub     h
        cpl
        ret

; one bit walks: its place is the sum of both halves of the address
walker: push    bc
        ld      a,l
        add     a,h
        and     7
        ld      b,a
        inc     b
        ld      a,0x80
walk1:  rlca
        djnz    walk1
        pop     bc
        ret

shape_tab:
        .word   weave,  w_weave
        .word   keel,   w_keel
        .word   walker, w_walker
        .word   0
