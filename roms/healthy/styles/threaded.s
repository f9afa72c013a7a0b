; Threaded code: BC is the instruction pointer, IY the data stack; every word ends at NEXT. The last
; word asks for a key and echoes it with its code.
        .include "bench/bench.inc"
        .text
        ld sp, 0xFF80
        ld iy, 0xFE00
        serial_on
        ld bc, program
next:   ld a, (bc)
        ld l, a
        inc bc
        ld a, (bc)
        ld h, a
        inc bc
        jp (hl)
lit:    ld a, (bc)
        inc bc
        dec iy
        ld (iy+0), a
        jr next
plus:   ld a, (iy+0)
        inc iy
        add a, (iy+0)
        ld (iy+0), a
        jr next
dot:    ld a, (iy+0)
        inc iy
        call hex8
        ld a, ' '
        call putc
        jr next
cr:     call newline
        jr next
dup:    ld a, (iy+0)
        dec iy
        ld (iy+0), a
        jr next
key:    in a, (SIO_AC)
        rrca
        jr nc, key
        in a, (SIO_AD)
        dec iy
        ld (iy+0), a
        jr next
drop:   inc iy
        jr next
branch: ld a, (bc)
        ld l, a
        inc bc
        ld a, (bc)
        ld b, a
        ld c, l
        jr next
zbranch:
        ld a, (iy+0)
        inc iy
        or a
        jr z, branch
        inc bc
        inc bc
        jr next
program:
        .word lit
        .byte 10
1:      .word dup, dot, lit
        .byte 0xFF
        .word plus, dup, zbranch, 2f, branch, 1b
2:      .word drop, cr
3:      .word key, dot, cr, branch, 3b
        .include "bench/text.inc"
