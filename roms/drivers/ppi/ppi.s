; A printer at port A and a keypad at port B of an 8255, both strobed, by interrupts: what is
; typed up to a carriage return is kept, then shown and printed.
        .equ PPI_A,0x4C
        .equ PPI_B,0x4D
        .equ PPI_C,0x4E
        .equ PPI_CONTROL,0x4F
        .equ BOTH_STROBED,0xA6          ; A out in mode 1, B in in mode 1
        .equ INTE_A,0x0C                ; bit set/reset of PC6; + 1 sets it
        .equ INTE_B,0x04                ; of PC2
        .equ INTR_A,0x08                ; in port C as it is read
        .equ INTR_B,0x01
        .text
start:  di
        ld sp,0
        jp main
        .org 0x38
interrupt:
        push af
        push hl
        in a,(PPI_C)
        and INTR_B
        call nz,typed
        in a,(PPI_C)
        and INTR_A
        call nz,room
        pop hl
        pop af
        ei
        ret
; Keep a byte from the keypad; a carriage return ends the line.
typed:  in a,(PPI_B)
        ld hl,(typed_at)
        ld (hl),a
        inc hl
        ld (typed_at),hl
        cp 13
        ret nz
        ld (hl),0
        ld a,INTE_B
        out (PPI_CONTROL),a
        ld a,1
        ld (line_done),a
        ret
; Give the printer the next byte; without one its interrupt is switched off.
room:   ld hl,(print_at)
        ld a,(hl)
        or a
        jr z,printed
        inc hl
        ld (print_at),hl
        out (PPI_A),a
        ret
printed:
        ld a,INTE_A
        out (PPI_CONTROL),a
        ld a,1
        ld (print_done),a
        ret
main:   call talk_on
        xor a
        ld (line_done),a
        ld (print_done),a
        ld hl,line
        ld (typed_at),hl
        ld (print_at),hl
        ld a,BOTH_STROBED               ; first the mode word: it clears all the rest
        out (PPI_CONTROL),a
        im 1
        ld a,INTE_B + 1
        out (PPI_CONTROL),a
        ei
1:      ld a,(line_done)
        or a
        jr z,1b
        ld hl,keypad
        call say
        ld hl,line
        call say
        ld a,INTE_A + 1                 ; there is room: it asks at once
        out (PPI_CONTROL),a
2:      ld a,(print_done)
        or a
        jr z,2b
        ld hl,printer
        call say
        ld hl,(print_at)
        ld de,line
        or a
        sbc hl,de
        ld a,l
        call put_hex
        jp prompt
keypad: .asciz "\r\nkeypad: "
printer: .asciz "\nprinter, bytes: "
        .bss
        .comm line_done,1
        .comm print_done,1
        .comm typed_at,2
        .comm print_at,2
        .comm line,64
