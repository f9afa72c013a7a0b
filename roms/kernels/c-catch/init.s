;       BALL IN THE GUTTER - start
        .module init
        .globl  _main
        .globl  s__DATA,l__DATA
        .globl  s__INITIALIZER,s__INITIALIZED,l__INITIALIZER

PAGE0   .equ    0x68            ; page registers, one a window of 8 KB
PAGING  .equ    0x7F            ; latch, bit 0: paging on

        .area   _HEADER (ABS)
        .org    0x0000
        di
        ld      hl,#pages
        ld      bc,#0x0800 + PAGE0
next::  outi
        inc     c
        ld      a,b
        or      a
        jr      nz,next
        ld      a,#1
        out     (PAGING),a
        ld      sp,#0xDFF0
        ld      hl,#s__DATA
        ld      bc,#l__DATA
wipe::  ld      (hl),#0
        cpi                     ; HL+1, BC-1
        jp      pe,wipe
        ld      hl,#s__INITIALIZER
        ld      de,#s__INITIALIZED
        ld      bc,#l__INITIALIZER
        ldir
        jp      _main

;       Windows 0 and 1: program. 2 to 5: nothing but the first page again. 6 and 7: RAM
pages:: .db     0x00,0x01,0x00,0x00,0x00,0x00,0x40,0x41

        .area   _HOME
        .area   _CODE
        .area   _INITIALIZER
        .area   _GSINIT
        .area   _GSFINAL
        .area   _DATA
        .area   _INITIALIZED
        .area   _BSS
        .area   _HEAP
