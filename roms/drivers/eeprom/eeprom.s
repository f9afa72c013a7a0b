; Keeps a record in a 28C256, the chip that the program itself stands in: the writer runs in RAM with
; interrupts off. The record is three pages and a bit, protected, and written over the pages' ends;
; then the program reads it back, and tries a write without the prefix, which the chip has to refuse.
        .equ RECORD,0x70F0              ; 16 bytes below the end of a page
        .equ LENGTH,200
        .equ RUNS,0x8000                ; where the writer is copied to
        .equ BUFFER,0x8100
        .equ KEY_1,0x5555
        .equ KEY_2,0x2AAA
        .text
start:  di
        ld sp,0
        call talk_on
        ld hl,writer
        ld de,RUNS
        ld bc,writer_end - writer
        ldir
        ld hl,BUFFER                    ; what is to be kept: 11h, 18h, 1Fh ...
        ld b,LENGTH
        ld a,0x11
1:      ld (hl),a
        inc hl
        add a,7
        djnz 1b
        ld hl,BUFFER
        ld de,RECORD
        ld b,LENGTH
        call RUNS
        jr c,fails
        ld hl,stored
        call say
        ld a,c                          ; cycles that it took
        call put_hex
        ld hl,BUFFER
        ld de,RECORD
        ld b,LENGTH
2:      ld a,(de)
        cp (hl)
        jr nz,fails
        inc hl
        inc de
        djnz 2b
        ld hl,right
        call say
        ld hl,bare                      ; the same place without the prefix
        ld de,RUNS
        ld bc,bare_end - bare
        ldir
        call RUNS
        ld a,(RECORD)
        cp 0x11
        jr nz,fails
        ld hl,guarded
        call say
        jp prompt
fails:  ld hl,failed
        call say
        halt

; Write B bytes from HL to DE, a page at a time; the cycles in C, carry when one does not end.
writer: ld c,0
3:      ld a,0xAA                       ; the prefix: it protects what it is not sent for
        ld (KEY_1),a
        ld a,0x55
        ld (KEY_2),a
        ld a,0xA0
        ld (KEY_1),a
4:      ld a,(hl)                       ; some 60 T-states a byte, far within 150 us
        ld (de),a
        inc hl
        inc de
        dec b
        jr z,5f
        ld a,e
        and 63
        jr nz,4b
5:      inc c
        push hl
        push bc
        dec hl
        dec de                          ; the last byte written: its bit 7 tells the end
        ld bc,0                         ; some seconds
6:      ld a,(de)
        xor (hl)
        jp p,RUNS + (7f - writer)
        dec bc
        ld a,b
        or c
        jr nz,6b
        pop bc
        pop hl
        scf
        ret
7:      ld a,(de)                       ; and once more, whole
        cp (hl)
        jr nz,6b
        pop bc
        pop hl
        inc de
        ld a,b
        or a
        jr nz,3b
        ret
writer_end:
; Write to the record without the prefix, and wait until DQ6 stands still.
bare:   ld hl,RECORD
        ld (hl),0
8:      ld a,(hl)
        xor (hl)
        and 0x40
        jr nz,8b
        ret
bare_end:
stored: .asciz "\r\nstored, cycles: "
right:  .asciz "h\r\nread back: right"
guarded: .asciz "\r\nwithout the prefix: refused"
failed: .asciz "\r\nthe EEPROM fails"
