; Prints the digits of 2 to the 64th, by doubling 64 times in decimal.
        .equ put,0x0040                 ; the stub
        .equ print,0x0043
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
        call put
        inc hl
        djnz show
        ld hl,tail
        call print
        jp 0x0046                       ; end
tail:   .asciz " is 2 to the 64th\r\n"
number: .space places - 1
        .db 1
