; Saves the interrupt state with LD A,I and restores it: on an NMOS part a tick that comes in
; that very instruction makes it look off, and off it stays.
        .include "../common/zoo.inc"
        .text
start:  ld sp, 0
        ld a, table >> 8
        ld i, a
        im 2
        ld a, VEC_CTC
        out (CTC_0), a
        ld a, 0x87                      ; timer, /16
        out (CTC_0), a
        ld a, 67
        out (CTC_0), a
        ei
again:  ld c, 0
1:      call guarded
        dec c
        jr nz, 1b
        ld hl, ticks                    ; and now and then wait for the next tick
        ld a, (hl)
2:      cp (hl)
        jr z, 2b
        jr again
guarded:
        ld a, i
        di
        push af
        ld hl, (shared)
        inc hl
        ld (shared), hl
        pop af
        ret po
        ei
        ret
tick_isr:
        push af
        push hl
        ld hl, ticks
        inc (hl)
        pop hl
        pop af
        ei
        reti
        .balign 256
table:  .ds VEC_CTC, 0
        .word tick_isr
        .bss
ticks:  .ds 1
shared: .ds 2
