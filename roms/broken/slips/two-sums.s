; Two tasks that give way to each other behind each word that they add. As it stands it is
; healthy; with NO_IX the change of tasks does not keep IX.
        .include "../common/zoo.inc"
        .text
start:  ld sp, gauge_top
        call console_on
        ld hl, banner
        call print
        ld hl, wind
        ld (wind_top - 2), hl
        ld hl, wind_top - 12            ; behind it lie five pairs for `give_way`
        ld (other), hl
        xor a
        ld (done), a

gauge:  ld ix, levels                   ; first task
        call sum
        ld de, 2140
        call compare
1:      call give_way
        ld a, (done)
        cp 2
        jr nz, 1b
        ld hl, right
        call print
        jp echo

wind:   ld ix, gusts                    ; second task
        call sum
        ld de, 88
        call compare
1:      call give_way
        jr 1b

sum:    ld hl, 0                        ; of eight words at IX
        ld b, 8
1:      ld e, (ix)
        ld d, (ix + 1)
        add hl, de
        call give_way
        inc ix
        inc ix
        djnz 1b
        ret
compare:
        or a
        sbc hl, de
        jr nz, wrong
        ld hl, done
        inc (hl)
        ret
wrong:  ld hl, bad
        call print
        di
        halt

give_way:
        push af
        push bc
        push de
        push hl
.ifndef NO_IX
        push ix
.else
        push hl
.endif
        ld hl, 0
        add hl, sp
        ex de, hl
        ld hl, (other)
        ld (other), de
        ld sp, hl
.ifndef NO_IX
        pop ix
.else
        pop hl
.endif
        pop hl
        pop de
        pop bc
        pop af
        ret

print:  ld a, (hl)
        or a
        ret z
        call show
        inc hl
        jr print

levels: .word 214, 221, 260, 280, 290, 300, 290, 285
gusts:  .word 4, 6, 9, 12, 14, 15, 15, 13
banner: .asciz "Level and wind\r\n"
right:  .asciz "both sums right\r\n"
bad:    .asciz "sum wrong\r\n"
        .bss
other:  .ds 2
done:   .ds 1
        .ds 64
wind_top:
        .ds 64
gauge_top:
