        .module start
        .globl _main, _tick, _received
        .area _HEADER (ABS)
        .org 0
        jp begin
        .org 8
        .dw _tick, _tick, _tick, _tick
        .dw _received
        .org 0x20
begin:  di
        ld sp, #0
        xor a, a
        ld i, a
        call _main
        di
        halt
        .area _CODE
        .area _DATA
