; The mode 2 vector table: 128 entries in the last 256 bytes of RAM.
;
; It lies in RAM so that a driver puts its handlers in when it finds its chip. Every entry
; that no driver claims leads to panic.

        .include "defs.inc"

        .section .text, "ax"
        .global vectors_init, vector_set, vectors_select, stray_vector

vectors_init:
        ld hl, vector_table
        ld de, stray_vector
        ld b, 128
1:      ld (hl), e
        inc hl
        ld (hl), d
        inc hl
        djnz 1b
        ret

; Put handler HL at offset A of the table. Destroys DE.
vector_set:
        ld de, vector_table
        ld e, a
        ex de, hl
        ld (hl), e
        inc hl
        ld (hl), d
        ret

; Let the CPU take vectors from this table.
vectors_select:
        ld a, vector_table >> 8
        ld i, a
        im 2
        ret

stray_vector:
        call panic
        .byte PANIC_VECTOR

        .section .vectors, "aw", @nobits
        .global vector_table
vector_table:
        .space 256
