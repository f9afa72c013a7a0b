        .module boot
; ROM 0000-1FFF, RAM 2000-FFFF. No interrupts are used; RST 38h only shows that we got lost.
        .globl  _main
        .globl  _uart_char
        .globl  s__DATA, l__DATA
        .globl  s__INITIALIZED, s__INITIALIZER, l__INITIALIZER

        .area   _HEADER (ABS)
        .org    0x0000
        di
        ld      sp, #stack_top
        jp      boot
        .org    0x0038
        ld      a, #0x21                ; "!"
        call    _uart_char
lost::  jr      lost
        .org    0x0066
        retn

        .area   _HOME
boot::  ; zero everything that C takes for zero
        ld      hl, #s__DATA
        ld      bc, #l__DATA
1$:     ld      a, b
        or      a, c
        jr      z, 2$
        ld      (hl), #0x00
        inc     hl
        dec     bc
        jr      1$
2$:     ; give the initialised ones their values
        ld      bc, #l__INITIALIZER
        ld      a, b
        or      a, c
        jr      z, 3$
        ld      de, #s__INITIALIZED
        ld      hl, #s__INITIALIZER
        ldir
3$:     call    _main
4$:     halt
        jr      4$

        .area   _CODE
        .area   _INITIALIZER
        .area   _GSINIT
        .area   _GSFINAL
        .area   _DATA
        .area   _INITIALIZED
        .area   _BSS
        .area   _STACK (ABS)
        .org    0xE000
        .ds     512
stack_top::
        .area   _HEAP
