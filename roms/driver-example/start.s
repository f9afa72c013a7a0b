; Reset: stack to the top of RAM, level to zero, then main.
        .module start
        .globl  _main
        .globl  _level
        .area   _HEADER (ABS)
        .org    0
        ld      sp, #0xF000
        ld      hl, #0
        ld      (_level), hl
        jp      _main
        .area   _HOME
        .area   _CODE
        .area   _DATA
