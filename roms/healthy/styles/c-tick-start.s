        .module start
        .globl _main
        .area _HEADER (ABS)
        .org 0
        jp begin
        .globl _tick
        .org 8
        .dw _tick, _tick, _tick, _tick
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
