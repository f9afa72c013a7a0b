;;; Rain logger: reset, paging, C variables.
;;;   window 0, 1: flash pages 0 and 1 (this program)
;;;   window 2, 3: RAM pages 40h and 41h
        .module start
        .globl  _main
        .globl  s__DATA, l__DATA
        .globl  s__INITIALIZER, l__INITIALIZER, s__INITIALIZED

        .area   _HEADER (ABS)
        .org    0
        di
        xor     a
        out     (0x90), a
        inc     a
        out     (0x91), a
        ld      a, #0x40
        out     (0x92), a
        inc     a
        out     (0x93), a
        out     (0x9C), a               ; bit 0: paging on
        ld      sp, #0xFF00
        jp      begin

        .org    0x0038                  ; nothing interrupts here
        ei
        ret

        .org    0x0080
begin:: ld      hl, #s__DATA
        ld      de, #s__DATA + 1
        ld      bc, #l__DATA - 1
        ld      (hl), #0
        ldir
        ld      hl, #s__INITIALIZER
        ld      de, #s__INITIALIZED
        ld      bc, #l__INITIALIZER
        ldir
        jp      _main

        .area   _HOME
        .area   _CODE
        .area   _INITIALIZER
        .area   _GSINIT
        .area   _GSFINAL
        .area   _DATA
        .area   _INITIALIZED
        .area   _BSS
        .area   _HEAP
