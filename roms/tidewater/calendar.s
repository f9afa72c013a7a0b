; Seconds since 1 March 2031 to date and time and back, from 2000 to 2099.
;
; A moment is six bytes, in the order of the clock card's registers. Seconds before 2031 are
; negative. Years are counted from March, which puts the leap day at the end of a year; four
; of them are 1461 days whichever they are.

        .include "defs.inc"

        .equ FIRST_YEAR, 0xFF           ; 1999, as years since 2000: so January 2000 is in reach
        .equ FOUR_YEARS, 1461
        .equ TO_2031, (8 * FOUR_YEARS) * 86400

        .section .text, "ax"
        .global split_time, join_time, mul32

; The moment at IX = DEHL seconds since 1 March 2031. Destroys all but IX.
split_time:
        ld bc, TO_2031 & 0xFFFF
        add hl, bc
        ex de, hl
        ld bc, TO_2031 >> 16
        adc hl, bc
        ex de, hl
        ld c, 60
        call div32
        ld (ix + T_SECOND), a
        call div32
        ld (ix + T_MINUTE), a
        ld c, 24
        call div32
        ld (ix + T_HOUR), a
        ld de, FOUR_YEARS               ; HL = days since 1 March 1999
        ld bc, (FIRST_YEAR - 4) * 256   ; B = year, C = months since March
1:      ld a, b
        add a, 4
        ld b, a
        or a
        sbc hl, de
        jr nc, 1b
        add hl, de
2:      call month_length
        ld e, a
        ld d, 0
        or a
        sbc hl, de
        jr c, 4f
        inc c
        ld a, c
        cp 10                           ; January
        jr nz, 3f
        inc b
3:      cp 12
        jr nz, 2b
        ld c, 0
        jr 2b
4:      add hl, de
        inc l
        ld a, c
        add a, 3
        cp 13
        jr c, 5f
        sub 12
5:      ld (ix + T_YEAR), b
        ld (ix + T_MONTH), a
        ld (ix + T_DAY), l
        ret

; DEHL = seconds since 1 March 2031 of the moment at IX. Destroys all but IX.
join_time:
        ld b, (ix + T_YEAR)
        call march_months
        jr nc, 1f
        dec b                           ; January and February end the year before
1:      inc b                           ; B = whole years since March 1999
        ld a, b
        add a, 3
        rrca
        rrca
        and 0x3F                        ; their leap days
        ld l, a
        ld h, 0
        ld de, 365
        inc b
        jr 3f
2:      add hl, de
3:      djnz 2b
        ld d, b                         ; 0
4:      ld a, c                         ; the whole months, never the leap day's
        or a
        jr z, 5f
        dec c
        call month_length
        ld e, a
        add hl, de
        jr 4b
5:      ld e, (ix + T_DAY)
        add hl, de
        dec hl
        ld e, d
        ld c, 24
        ld a, (ix + T_HOUR)
        call mul32
        ld c, 60
        ld a, (ix + T_MINUTE)
        call mul32
        ld c, 60
        ld a, (ix + T_SECOND)
        call mul32
        ld bc, TO_2031 & 0xFFFF
        or a
        sbc hl, bc
        ex de, hl
        ld bc, TO_2031 >> 16
        sbc hl, bc
        ex de, hl
        or a                            ; carry is no sign here
        ret

; C = months since March of the moment at IX; carry set for January and February.
march_months:
        ld a, (ix + T_MONTH)
        sub 3
        ld c, a
        ret nc
        add a, 12
        ld c, a
        scf
        ret

; A = days in month C (0 is March) of year B. Saves HL and DE.
month_length:
        push hl
        ld hl, month_days
        ld a, c
        add a, l
        ld l, a
        jr nc, 1f
        inc h
1:      ld a, (hl)
        pop hl
        cp 28
        ret nz
        ld a, b
        and 3
        ld a, 28
        ret nz
        inc a
        ret

; Carry set when the moment at IX has a day that its month lacks. Destroys AF BC.
        .global day_missing
day_missing:
        ld b, (ix + T_YEAR)
        call march_months
        call month_length
        cp (ix + T_DAY)
        ret

; DEHL = DEHL * C + A. Destroys BC.
mul32:  push iy
        push de
        push hl
        ld iy, 0
        add iy, sp
        ld hl, 0
        ld d, h
        ld e, l
        push af
        ld b, 8
1:      add hl, hl
        rl e
        rl d
        rl c
        jr nc, 2f
        ld a, l
        add a, (iy)
        ld l, a
        ld a, h
        adc a, (iy + 1)
        ld h, a
        ld a, e
        adc a, (iy + 2)
        ld e, a
        ld a, d
        adc a, (iy + 3)
        ld d, a
2:      djnz 1b
        pop af
        ld c, a
        add hl, bc                      ; B is 0
        jr nc, 3f
        inc de
3:      pop bc
        pop bc
        pop iy
        ret

month_days:
        .byte 31, 30, 31, 30, 31, 31, 30, 31, 30, 31, 31, 28
