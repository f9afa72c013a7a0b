        .module crt0
        ; The ROM copies itself into the RAM under it and leaves. From then on all is RAM:
        ;   0000-3FFF program    8000-... variables, FFFF downwards stack
        .globl  _main, _uart_rx
        .globl  s__DATA, l__DATA
        .globl  s__INITIALIZER, s__INITIALIZED, l__INITIALIZER

ROMOFF  .equ    0x0C            ; bit 0 of this latch takes the ROM out

        .area   _HEADER (ABS)
        .org    0
        jp      reset

        .org    0x38
int38:: push    af
        push    bc
        push    de
        push    hl
        push    iy
        call    _uart_rx
        pop     iy
        pop     hl
        pop     de
        pop     bc
        pop     af
        ei
        ret

        .org    0x66
        retn

reset:: di
        im      1
        ld      sp, #0x0000
        ld      hl, #0x0000     ; read the ROM, write the RAM behind it
        ld      de, #0x0000
        ld      bc, #0x4000
        ldir
        ld      a, #1
        out     (ROMOFF), a
        ld      hl, #s__DATA
        ld      de, #s__DATA+1
        ld      bc, #l__DATA-1
        ld      (hl), l         ; variables begin at a page: l is 0
        ldir
        ld      hl, #s__INITIALIZER
        ld      de, #s__INITIALIZED
        ld      bc, #l__INITIALIZER
        ldir
        call    _main
        rst     0

        .area   _HOME
        .area   _CODE
        .area   _INITIALIZER
        .area   _GSINIT
        .area   _GSFINAL
        .area   _DATA
        .area   _INITIALIZED
        .area   _BSS
        .area   _HEAP
