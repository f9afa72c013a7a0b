; Two coroutines that hand each other bytes by changing stacks: one makes levels, the other prints
; them, each in the middle of its own loops.
        .include "bench/bench.inc"
        .text
        ld sp, main_top
        serial_on
        ld hl, maker_top - 2
        ld (hl), maker & 255
        inc hl
        ld (hl), maker >> 8
        dec hl
        ld (other), hl
printer:
        ld b, 8
1:      push bc
        call swap
        pop bc
        call hex8
        ld a, ' '
        call putc
        djnz 1b
        call newline
        jr printer
swap:   ld (hold), sp           ; A is handed over
        ld hl, (hold)
        ld sp, (other)
        ld (other), hl
        ret
maker:  ld e, 0
2:      ld d, 20                ; a level now and then: they come slowly
3:      ld bc, 3000
4:      dec bc
        ld a, b
        or c
        jr nz, 4b
        dec d
        jr nz, 3b
        ld a, e
        inc e
        push bc
        push de
        call swap_other
        pop de
        pop bc
        jr 2b
swap_other:
        jp swap
        .include "bench/text.inc"
        .bss
hold:   .ds 2
other:  .ds 2
        .ds 60
maker_top:
        .ds 60
main_top:
