; A clock of two bytes, moved by the tick, and a foreground that puts it on each record. As it
; stands it is healthy; with TORN nothing keeps the tick out between the two bytes.
        .include "../common/zoo.inc"
        .text
start:  ld sp, 0x8800                   ; the end of 2 KiB
        ld hl, 0
        ld (now), hl
        ld (before), hl
        call console_on
        ld hl, banner
        call print
        ld a, table >> 8
        ld i, a
        im 2
        ld a, VEC_CTC
        out (CTC_0), a
        ld a, 0x87                      ; interrupt, timer, /16, constant follows
        out (CTC_0), a
        ld a, 50                        ; 800 T-states
        out (CTC_0), a
        ei
watch:  call smooth
        call stamp
        ld hl, (record)
        ld de, (before)
        ld (before), hl
        or a
        sbc hl, de                      ; ticks since the record before: a few
        ld a, h
        or a
        jr nz, jumped
        ld a, (before + 1)
        cp 16
        jr c, watch
        ld hl, kept
        call print
        jp echo
jumped: ld hl, lost
        call print
        di
        halt

stamp:                                  ; put the clock on the record, and a sum between
.ifndef TORN
        di
.endif
        ld a, (now)
        ld (record), a
        call sum
        ld a, (now + 1)
        ld (record + 1), a
.ifndef TORN
        ei
.endif
        ret
sum:    ld hl, banner
        ld b, 8
        xor a
1:      add a, (hl)
        inc hl
        djnz 1b
        ld (check), a
        ret

smooth: ld b, 60                        ; what else there is to do
1:      djnz 1b
        ret

print:  ld a, (hl)
        or a
        ret z
        call show
        inc hl
        jr print

tick_isr:
        push hl
        ld hl, (now)
        inc hl
        ld (now), hl
        pop hl
        ei
        reti

banner: .asciz "Tide gauge, berth 6\r\n"
kept:   .asciz "clock kept\r\n"
lost:   .asciz "clock jumped\r\n"
        .balign 256
table:  .ds VEC_CTC, 0xFF
        .word tick_isr
        .ds 256 - VEC_CTC - 2, 0xFF
        .bss
now:    .ds 2
before: .ds 2
record: .ds 2
check:  .ds 1
