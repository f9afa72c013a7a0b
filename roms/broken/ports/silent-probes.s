; A kernel that looks for a clock chip and a display around the set-up of its timer, finds
; nothing, and naps. Among what it writes to the silent ports is the timer's vector, too.
; Symbol MODE1: the tick hangs on 0038h, and the handler reads the timer.
        .equ ctc,0x28
        .equ acia,0x30
        .equ chip,0xB0          ; three-wire clock chip: bit 7 data, bit 5 clock, bit 4 enable
        .equ lcd,0xB8
        .equ vector,0x10
        .equ table,0xF000       ; in RAM
        .text
start:  di
        ld sp,0
        jp boot
        .org 0x38
        .ifdef MODE1
        jp tick
        .else
        ei
        reti
        .endif
        .org 0x100
boot:   ld a,3
        out (acia),a
        ld a,0x15
        out (acia),a
        ld hl,0
        ld (ticks),hl
        call find_chip
        call start_ticks
        call find_lcd
        ld hl,hello
        call print
round:  ld hl,20
        call nap
        in a,(acia)
        rra
        jr nc,round
        in a,(acia+1)
        call put
        jr round
; Read 31 bytes of the clock chip, bit by bit: more writes than anybody keeps.
find_chip:
        ld e,31
byte:   ld a,vector             ; enable, clock low: the same byte as the vector
        out (chip),a
        ld b,8
bit:    ld a,0x90
        out (chip),a
        ld a,0xB0
        out (chip),a
        in a,(chip)
        rla
        rl d
        djnz bit
        xor a
        out (chip),a
        dec e
        jr nz,byte
        ret
start_ticks:
        .ifdef MODE1
        im 1
        .else
        ld hl,table
        ld b,128
fill:   ld (hl),lost & 0xFF
        inc hl
        ld (hl),lost >> 8
        inc hl
        djnz fill
        ld hl,tick
        ld (table+vector),hl
        ld a,table >> 8
        ld i,a
        im 2
        ld a,vector
        out (ctc),a
        .endif
        ld a,0xA7               ; interrupt, timer, by 256, constant follows
        out (ctc),a
        ld a,156
        out (ctc),a
        ei
        ret
find_lcd:
        ld a,vector             ; which is "move the cursor left" to a display
        out (lcd),a
        ld b,0
busy:   in a,(lcd)
        rla
        jr nc,there
        djnz busy
        ret
there:  ld a,0x01
        out (lcd),a
        ret
tick:   push af
        push hl
        .ifdef MODE1
        in a,(ctc)
        .endif
        ld hl,(ticks)
        inc hl
        ld (ticks),hl
        pop hl
        pop af
        ei
        reti
lost:   ei
        reti
; Wait HL ticks.
nap:    ld de,(ticks)
        add hl,de
        ex de,hl
still:  halt
        ld hl,(ticks)
        or a
        sbc hl,de
        jp m,still
        ret
print:  ld a,(hl)
        or a
        ret z
        call put
        inc hl
        jr print
put:    push af
full:   in a,(acia)
        and 2
        jr z,full
        pop af
        out (acia+1),a
        ret
hello:  .asciz "\r\nready> "
        .bss
ticks:  .ds 2
