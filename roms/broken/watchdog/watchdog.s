; A slow start: clears a buffer again and again for a second, then echoes keys and kicks.
        .text
start:  ld sp,0
        ld hl,table
        ld bc,0x0A21
        otir
        ld b,40
clear:  push bc
        ld hl,buffer
        ld de,buffer+1
        ld bc,4095
        ld (hl),0
        ldir
.ifdef KICKS
        out (0x30),a
.endif
        pop bc
        djnz clear
        ld a,'>'
        out (0x20),a
echo:   out (0x30),a
        xor a
        out (0x21),a
        in a,(0x21)
        rrca
        jr nc,echo
        in a,(0x20)
        out (0x20),a
        jr echo
table:  .byte 0x18,4,0x44,3,0xC1,5,0xEA,1,0,0
        .bss
buffer: .space 4096
