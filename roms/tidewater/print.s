; Numbers on the console, and the division they need. All save BC DE HL unless said.

        .include "defs.inc"

        .section .text, "ax"
        .global print_long, print_digit, print_two, print_dec, print_dec5, print_hex8, print_hex16
        .global print_space, div32, parse_number

; A (0 to 9) as one digit.
print_digit:
        add a, '0'
        jp con_putc

; A (0 to 99) as two digits.
print_two:
        push bc
        ld b, '0' - 1
1:      inc b
        sub 10
        jr nc, 1b
        add a, 10 + '0'
        ld c, a
        ld a, b
        call con_putc
        ld a, c
        call con_putc
        pop bc
        ret

print_space:
        ld a, ' '
        jp con_putc

; HL in decimal, as long as it is.
print_dec:
        push bc
        ld c, 0
        jr 1f

; DEHL in decimal, as long as it is. Destroys all.
print_long:
        ld c, 10
        call div32
        push af
        ld a, h
        or l
        or d
        or e
        call nz, print_long
        pop af
        jp print_digit

; HL in decimal, five places, blanks in front.
print_dec5:
        push bc
        ld c, ' '
1:      push hl
        push de
        ld de, -10000
        call 2f
        ld de, -1000
        call 2f
        ld de, -100
        call 2f
        ld de, -10
        call 2f
        ld a, l
        call print_digit
        pop de
        pop hl
        pop bc
        ret

; One place of weight -DE; C is what stands for a leading zero, 0 for nothing at all.
2:      ld a, '0' - 1
3:      inc a
        add hl, de
        jr c, 3b
        sbc hl, de
        cp '0'
        jr z, 4f
        ld c, '0'                       ; from now on a zero is a digit
        jp con_putc
4:      ld a, c
        or a
        ret z
        jp con_putc

; HL in hexadecimal.
print_hex16:
        ld a, h
        call print_hex8
        ld a, l

; A in hexadecimal. Saves A.
print_hex8:
        push af
        rrca
        rrca
        rrca
        rrca
        call 1f
        pop af
1:      push af
        call hex_digit
        call con_putc
        pop af
        ret

; The low four bits of A as a letter.
        .global hex_digit
hex_digit:
        and 0x0F
        cp 10
        jr c, 1f
        add a, 'A' - '0' - 10
1:      add a, '0'
        ret

; DEHL = DEHL / C, A = remainder. Destroys B.
div32:  xor a
        ld b, 32
1:      add hl, hl
        rl e
        rl d
        rla
        jr c, 2f                        ; a ninth bit: certainly more than C
        cp c
        jr c, 3f
2:      sub c
        inc l
3:      djnz 1b
        ret

; Read a decimal number at HL into DE, HL moves behind it. Carry set when there is none or
; it is above 65535. Destroys BC.
parse_number:
        ld de, 0
        ld a, (hl)
        call is_digit
        ret c
1:      push hl
        ld h, d
        ld l, e
        ld b, 9
2:      add hl, de                      ; ten times DE
        jr c, 3f
        djnz 2b
        ld c, a
        add hl, bc                      ; B is 0
        jr c, 3f
        ex de, hl
        pop hl
        inc hl
        ld a, (hl)
        call is_digit
        jr nc, 1b
        or a
        ret
3:      pop hl
        scf
        ret

; A = value of the digit in A; carry set when it is none.
is_digit:
        sub '0'
        ret c
        cp 10
        ccf
        ret
