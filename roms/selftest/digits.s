; Prints the digits of 2 to the 64th, by doubling 64 times in decimal: a flat program that
; calls the stub and nothing else.
        .equ call5,5
        .equ places,20
        .text
        ld b,64
double: ld hl,number + places - 1
        ld c,places
        or a
digit:  ld a,(hl)
        adc a,a                         ; twice the digit and the carry
        cp 10
        jr c,small
        sub 10
        scf
        jr store
small:  or a
store:  ld (hl),a
        dec hl
        dec c
        jr nz,digit
        djnz double
        ld hl,number
        ld b,places
show:   ld a,(hl)
        add a,'0'
        ld e,a
        ld c,2
        push bc
        push hl
        call call5
        pop hl
        pop bc
        inc hl
        djnz show
        ld de,tail
        ld c,9
        call call5
        jp 0
tail:   .ascii " is 2 to the 64th\r\n$"
number: .space places - 1
        .db 1
