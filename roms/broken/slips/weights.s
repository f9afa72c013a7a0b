; A table of weights and a routine, both moved into cleared RAM before they are used. As it stands
; it is healthy; with SHORT_TABLE the last weight stays behind.
        .include "../common/zoo.inc"
        .text
start:  ld sp, 0
        ld hl, 0x8000
        ld de, 0x8001
        ld bc, 0x3FF
        ld (hl), 0
        ldir
        call console_on
        ld hl, banner
        call print
        ld hl, table
        ld de, weights
.ifdef SHORT_TABLE
        ld bc, table_end - table - 1
.else
        ld bc, table_end - table
.endif
        ldir
        ld hl, routine
        ld de, scale
        ld bc, routine_end - routine
        ldir
        ld hl, weights
        ld b, table_end - table
        call scale
        cp SUM
        ld hl, right
        jr z, 1f
        ld hl, wrong
1:      call print
        jp echo

routine:                                ; add B bytes at HL: runs in RAM
        xor a
1:      add a, (hl)
        inc hl
        djnz 1b
        ret
routine_end:

print:  ld a, (hl)
        or a
        ret z
        call show
        inc hl
        jr print

table:  .byte 3, 5, 8, 12, 17, 21, 21, 17, 12, 8, 5, 3
table_end:
        .equ SUM, 132
banner: .asciz "Weights of the filter\r\n"
right:  .asciz "weights right\r\n"
wrong:  .asciz "weights wrong\r\n"
        .bss
weights:
        .ds 12
scale:  .ds 16
