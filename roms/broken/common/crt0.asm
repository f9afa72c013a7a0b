; Start of the images in C: RST 38h and mode 2 vectors lead to handlers in C, or to nothing.
        .module crt0
        .globl  _main
        .globl  _mode1_handler
        .globl  _vector0
        .globl  _vector1
        .globl  _vector2
        .globl  _vector3
        .area   _HEADER (ABS)
        .org    0
        di
        ld      sp,#0
        jp      start
        .org    0x38
        jp      _mode1_handler
        .org    0x40
        .dw     _vector0, _vector1, _vector2, _vector3
        .org    0x66
        retn
        .area   _HOME
        .area   _CODE
start:  xor     a
        ld      hl,#0x8000
        ld      de,#0x8001
        ld      bc,#0x0fff
        ld      (hl),a
        ldir
        call    _main
stop:   halt
        jr      stop
        .area   _INITIALIZER
        .area   _DATA
