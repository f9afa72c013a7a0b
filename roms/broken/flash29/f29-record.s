; Erases a sector of a 29F040 by code in RAM, writes a byte there twice, and echoes keys. The record
; stands at 10000h of the chip, shown by window 3.
; NO_ERASE: the second byte goes over the zeros of the first.  SHORT_WAIT: it gives the erase the 25 ms
; of another part.  OWN_SECTOR: the record stands at 6000h, taken for a sector of 4 KiB.
        .include "../common/pages.inc"
        .equ RECORD,0x6000              ; in window 3
        .equ RUNS,0x8000
        .text
start:  map_memory
        call console_on
        .ifndef OWN_SECTOR
        ld a,8                          ; page 8: 10000h of the chip
        out (PAGES + 3),a
        .endif
        ld hl,work
        ld de,RUNS
        ld bc,work_end - work
        ldir
        call RUNS
        jp echo
        .macro unlock command
        ld a,0xAA
        ld (0x555),a
        ld a,0x55
        ld (0x2AA),a
        ld a,\command
        ld (0x555),a
        .endm
work:   ld hl,RECORD
        .ifndef NO_ERASE
        unlock 0x80
        ld a,0xAA
        ld (0x555),a
        ld a,0x55
        ld (0x2AA),a
        ld (hl),0x30
        .ifdef SHORT_WAIT
        ld bc,2000                      ; some 25 ms at 4 MHz
1:      ld a,(hl)
        rla
        jr c,2f
        dec bc
        ld a,b
        or c
        jr nz,1b
        di
        halt
        .else
1:      ld a,(hl)
        rla
        jr nc,1b
        .endif
2:
        .else
        unlock 0xA0
        ld (hl),0x0F
3:      ld a,(hl)
        xor (hl)
        and 0x40
        jr nz,3b
        .endif
        unlock 0xA0
        ld (hl),0xF0
4:      ld a,(hl)
        cp 0xF0
        jr nz,4b
        ret
work_end:
