; Copies a name into a buffer on the stack that is too small for it: the return address behind it
; is overwritten, and the program returns into RAM that nobody has filled.
        .text
start:  ld sp,0
        call greet
stop:   jr stop
greet:  ld hl,0xFFF8
        add hl,sp
        ld sp,hl                ; a buffer of eight bytes
        ex de,hl
        ld hl,name
        ld bc,name_end-name
        ldir
        ld hl,8
        add hl,sp
        ld sp,hl
        ret
name:   .db 0x54, 0x69, 0x64, 0x65, 0x77, 0x61, 0x74, 0x65, 0x72, 0x91
name_end:
