; Two moves of a picture in each round, and a tick that counts the time. As it stands it is
; healthy; with HELD interrupts stay off for three ticks in either move.
        .include "../common/zoo.inc"
        .equ ROUNDS, 12
        .equ BYTES, 1500                ; 31500 T-states
        .macro hold
.ifdef HELD
        di
.endif
        .endm
        .macro free
.ifdef HELD
        ei
.endif
        .endm
        .text
start:  ld sp, 0
        xor a
        ld (ticks), a
        call console_on
        ld hl, banner
        call print
        ld a, table >> 8
        ld i, a
        im 2
        ld a, VEC_CTC
        out (CTC_0), a
        ld a, 0xA7                      ; interrupt, timer, /256, constant follows
        out (CTC_0), a
        ld a, 39                        ; 9984 T-states
        out (CTC_0), a
        ei
        ld b, ROUNDS
round:  push bc
        call show_page
        call smooth
        call keep_page
        call smooth
        pop bc
        djnz round
        ld a, (ticks)
        cp 165                          ; a round takes 14 ticks and more
        ld hl, right
        jr nc, 1f
        ld hl, slow
1:      call print
        jp echo

show_page:
        hold
        ld hl, start
        ld de, 0x9000
        ld bc, BYTES
        ldir
        free
        ret
keep_page:
        hold
        ld hl, 0x9000
        ld de, 0xA000
        ld bc, BYTES
        ldir
        free
        ret
smooth: ld de, 1600                     ; about 42000 T-states
1:      dec de
        ld a, d
        or e
        jr nz, 1b
        ret

print:  ld a, (hl)
        or a
        ret z
        call show
        inc hl
        jr print

tick_isr:
        push af
        ld a, (ticks)
        inc a
        ld (ticks), a
        pop af
        ei
        reti

banner: .asciz "Tide gauge, berth 7\r\n"
right:  .asciz "clock right\r\n"
slow:   .asciz "clock slow\r\n"
        .balign 256
table:  .ds VEC_CTC, 0xFF
        .word tick_isr
        .ds 256 - VEC_CTC - 2, 0xFF
        .bss
ticks:  .ds 1
