; Sets the serial chip to interrupt on receive and chooses mode 2, for which it has no vector.
; The table's last word is a handler; FFh points half-way into it and the byte behind it.
        .equ control,0x30
        .equ data,0x31
        .text
start:  ld sp,0
        ld hl,table
        ld (hl),handler & 0xFF
        inc hl
        ld (hl),handler >> 8
        ld hl,table+0xFF
        ld (hl),lost & 0xFF
        inc hl
        ld (hl),lost >> 8
        ld a,table >> 8
        ld i,a
        im 2
        ld a,3
        out (control),a
        ld a,0x95
        out (control),a
        ld a,'>'
        out (data),a
        ld a,0xB5
        out (control),a
        ei
idle:   halt
        jr idle
handler:
        push af
        in a,(data)
        pop af
        ei
        reti
lost:   jr lost
        .bss
        .balign 256
table:  .ds 257
