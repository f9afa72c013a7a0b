; Stores 32 bytes in an EEPROM from 7030h on, over the end of a page, by code in RAM; then it compares
; them, again and again until they are right, and echoes keys.
; NO_WAIT: two single bytes, and no wait for the cycle.  NO_SPLIT: one load over both pages.
        .equ PLACE,0x7030
        .equ EDGE,0x7040
        .equ RUNS,0x8000                ; where the code is copied to
        .text
start:  ld sp,0
        call console_on
        ld hl,code
        ld de,RUNS
        ld bc,code_end - code
        ldir
        jp RUNS
done:   jp echo
; It runs in RAM, words and all: while the chip stores, a read of it gives nothing but status.
code:
        .ifdef NO_WAIT
        ld a,'h'
        ld (PLACE),a
        ld b,100                        ; a handler, or a slow loop: longer than the 150 us
1:      djnz 1b
        ld a,'i'
        ld (PLACE + 1),a
2:      ld hl,PLACE + 1
        ld a,(hl)
        cp 'i'
        jr nz,2b
        .else
        ld hl,RUNS + (words - code)
        ld de,PLACE
        .ifdef NO_SPLIT
        ld bc,32
        ldir
        .else
        ld bc,EDGE - PLACE
        ldir
        dec de                          ; the last byte written: its bit 7 tells
        dec hl
3:      ld a,(de)
        xor (hl)
        rla
        jr c,3b
        inc de
        inc hl
        ld bc,32 - (EDGE - PLACE)
        ldir
        .endif
4:      ld hl,RUNS + (words - code)
        ld de,PLACE
        ld b,32
5:      ld a,(de)
        cp (hl)
        jr nz,4b
        inc de
        inc hl
        djnz 5b
        .endif
        jp done
words:  .ascii "high water 07:12  low water 1:30"
code_end:
