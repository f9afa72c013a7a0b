; ---------------------------------------------------------------------
; the tide, as this well sees it. The floats only say wet or dry at eight
; heights; between them we reckon: level += rate; rate -= level / 256.
; That is a swing about 0, all in 1/16 cm, 16 bits with sign. A day of tides in
; some minutes, so that the watch has something to do.
; ---------------------------------------------------------------------
    .include "sw_defs.inc"
    .section .text, "ax"
    .globl tide_open, tide_step, tide_tell, tell_level

tide_open:
    ld   hl, -1600          ; 100 cm below mean: low water
    ld   (level), hl
    ld   hl, 0
    ld   (rate), hl
    xor  a
    ld   (turn), a
    ret

; one step of the swing; sees the turn of the tide
tide_step:
    ld   hl, (level)
    ld   b, 8               ; hl / 256
1:  sra  h
    rr   l
    djnz 1b
    ex   de, hl
    ld   hl, (rate)
    ld   a, h               ; sign before
    ld   (sign), a
    or   a
    sbc  hl, de
    ld   (rate), hl
    ld   de, (level)
    add  hl, de
    ld   (level), hl
    ld   a, (rate + 1)
    ld   hl, sign
    xor  (hl)
    rla
    ret  nc
    ld   a, 1               ; it turns: slack water
    ld   (turn), a
    ret

; once a minute: a line at a turn, and every fourth minute in any case
tide_tell:
    ld   a, (turn)
    or   a
    jr   nz, at_turn
    ld   a, (minutes)
    and  3
    ret  nz
    jr   tell_level
at_turn:
    xor  a
    ld   (turn), a
    ld   hl, (slacks)
    inc  hl
    ld   (slacks), hl
    call stamp
    ld   hl, s_slack
    call line_puts
    ld   hl, (slacks)
    call line_dec
    jp   line_nl

; minute, level, flood or ebb, what the floats say
tell_level:
    call stamp
    ld   hl, s_level
    call line_puts
    ld   hl, (level)
    bit  7, h
    jr   z, 1f
    ld   a, '-'
    call line_putc
    ld   de, (level)        ; 0 - level
    ld   hl, 0
    or   a
    sbc  hl, de
1:  ld   b, 4
2:  srl  h
    rr   l
    djnz 2b
    call line_dec
    ld   hl, cm_text
    call line_puts
    ld   hl, s_flood
    ld   a, (rate + 1)
    rla
    jr   nc, 3f
    ld   hl, s_ebb
3:  call line_puts
    in   a, (floats)        ; count the wet ones
    ld   b, 8
    ld   c, 0
4:  rla
    jr   c, 5f
    inc  c
5:  djnz 4b
    ld   l, c
    ld   h, 0
    call line_dec
    ld   hl, s_wet
    call line_puts
    jp   line_nl

stamp:
    ld   hl, s_min
    call line_puts
    ld   hl, (minutes)
    call line_dec
    ld   hl, s_colon
    jp   line_puts

    .section .rodata, "a"
s_min:   .asciz "minute "
s_colon: .asciz ": "
s_level: .asciz "level "
cm_text:    .asciz " cm, "
s_flood: .asciz "flood, "
s_ebb:   .asciz "ebb, "
s_wet:   .asciz " floats wet"
s_slack: .asciz "slack water, number "

    .section .bss, "aw", @nobits
level:  .space 2
rate:   .space 2
slacks: .space 2
sign:   .space 1
turn:   .space 1
