        .module start
        .globl _main
        .area _HEADER (ABS)
        .org 0
        jp begin
        .org 0x10
begin:  di
        ld sp, #0
        xor a, a
        ld i, a
        call _main
        di
        halt
        .area _CODE
        .area _DATA
