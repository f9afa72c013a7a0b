; Start-up and vectors for the sluice controller.
; ROM 0000-5FFF, RAM 6000-FFFF. Vector table at 0100, code from 0200.
        .module crt0
        .globl  _main
        .globl  _tick_entry
        .globl  _tx_isr
        .globl  _ext_isr
        .globl  _rx_isr
        .globl  _err_isr
        .globl  l__DATA
        .globl  s__DATA
        .globl  l__INITIALIZER
        .globl  s__INITIALIZER
        .globl  s__INITIALIZED

        .area   _HEADER (ABS)
        .org    0x0000
        di
        ld      sp, #0x0000             ; first push lands at FFFF
        jp      start

        .org    0x0066                  ; no NMI on this board
        retn

        .org    0x0100
vectors::
        .dw     stray                   ; CTC 0
        .dw     stray                   ; CTC 1
        .dw     _tick_entry             ; CTC 2
        .dw     stray                   ; CTC 3
        .org    0x0110
        .dw     stray, stray            ; SIO B transmit, external
        .dw     stray, stray            ; SIO B receive, special
        .dw     _tx_isr, _ext_isr       ; SIO A transmit, external
        .dw     _rx_isr, _err_isr       ; SIO A receive, special

        .org    0x0140
stray:: ei
        reti
start::
        ld      hl, #s__DATA            ; clear the variables
        ld      bc, #l__DATA
clear:: ld      (hl), #0
        inc     hl
        dec     bc
        ld      a, b
        or      c
        jr      nz, clear
        ld      hl, #s__INITIALIZER     ; and give some of them values
        ld      de, #s__INITIALIZED
        ld      bc, #l__INITIALIZER
        ld      a, b
        or      c
        jr      z, noinit
        ldir
noinit: ld      a, #0x01               ; page of the vectors
        ld      i, a
        im      2
        call    _main
dead::  jr      dead

        .area   _HOME
        .area   _CODE
        .area   _INITIALIZER
        .area   _GSINIT
        .area   _GSFINAL
        .area   _DATA
        .area   _INITIALIZED
        .area   _BSS
        .area   _HEAP
