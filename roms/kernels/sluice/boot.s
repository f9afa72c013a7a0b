; Cold start, vectors, and the event loop itself.

        .include "defs.inc"

        .section .low, "ax"
        .global cold
cold:
        di
        ld sp, stack_top
        jp setup

        .org 0x38
        jp stray                        ; we run in mode 2: only an erased byte comes here
        .org 0x66
        retn                            ; no button on this cage

        .section .text, "ax"
        .global stray

setup:
        ; variables to zero, paddle records from their ROM copy
        ld hl, bss_start
        ld de, bss_start + 1
        ld bc, bss_size - 1
        ld (hl), 0
        ldir
        ld hl, data_load
        ld de, data_start
        ld bc, data_size
        ldir

        xor a
        out (PANEL), a                  ; all motors off
        ld a, vectors_page
        ld i, a
        im 2
        call serial_setup
        call beat_setup
        ei

        ld hl, hello
        call puts
        call prompt

; Take the oldest event and call its handler; sleep when there is none.
event_loop:
        di
        call event_get
        jr z, nothing
        ei
        ld a, b
        add a, a
        ld e, a
        ld d, 0
        ld hl, handlers
        add hl, de
        ld e, (hl)
        inc hl
        ld d, (hl)
        ex de, hl
        ld de, event_loop
        push de                         ; handlers return here
        jp (hl)                         ; argument in C

nothing:
        ei                              ; takes effect behind HALT's fetch: no event slips by
        halt
        jr event_loop

handlers:
        .word on_beat
        .word on_key
        .word lock_event
        .word on_line

; An interrupt nobody asked for: red lamp, and stop where it can be seen.
stray:
        di
        ld a, 0x80
        out (PANEL), a
        halt

hello:  .asciz "\r\nSluice 2, keeper of the lock\r\n"

; I holds the high byte of this page.
        .section .vectors, "a"
vectors:
        .rept 16
        .word stray
        .endr
        .word beat_isr                  ; 20h CTC channel 0
        .word stray                     ; 22h
        .word stray
        .word stray
        .rept 12
        .word stray
        .endr
        .word stray, stray, stray, stray        ; 40h SIO channel B
        .word tx_isr                    ; 48h
        .word ext_isr                   ; 4Ah
        .word rx_isr                    ; 4Ch
        .word bad_rx_isr                ; 4Eh

        .section .stack, "aw", @nobits
        .skip 192
stack_top:
