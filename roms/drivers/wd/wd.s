; Formats a track of a disk at a WD179x-type controller, writes a sector and reads it back, polled.
; What is assembled with a define leaves out what its name says; the zoo's machines do so.
        .equ STATUS,0x44
        .equ SECTOR,0x46
        .equ DATA,0x47
        .equ CONTROL,0x48               ; written: drive, side, density, motor; read: DRQ, INTRQ
        .equ MOTOR,0x40
        .ifdef WRONG_DENSITY
        .equ TO_READ,MOTOR+0x20
        .else
        .equ TO_READ,MOTOR
        .endif
        .ifdef PART_177X
        .equ BAD,0x5C                   ; protected, not found, CRC, lost data
        .else
        .equ BAD,0xDC                   ; and not ready
        .endif
        .equ buffer,0x9000
        .text
start:  ld sp,0xFF00
        call talk_on
        ld a,0xD0                       ; RESET has begun a restore: break it off
        out (STATUS),a
again:
        .ifndef NO_MOTOR
        ld a,MOTOR
        out (CONTROL),a
        .ifndef PART_177X
1:      in a,(STATUS)                   ; until the drive is ready
        rlca
        jr c,1b
        .endif
        .endif
        ld a,0x00                       ; restore
        call simple
        ld a,1
        out (DATA),a
        ld a,0x10                       ; seek
        call simple
        call build
        ld hl,buffer
        ld a,0xF0                       ; write track
        call give
        jr nz,again
        ld hl,formatted
        call say
        ld a,3
        out (SECTOR),a
        ld hl,text
        ld a,0xA0                       ; write sector
        call give
        jr nz,again
        ld a,TO_READ
        out (CONTROL),a
        ld a,3
        out (SECTOR),a
        ld hl,buffer
        ld a,0x80                       ; read sector
        call take
        jr nz,again
        ld hl,buffer
        call say
        jp prompt
; A command of type I; wait until it has ended.
simple: out (STATUS),a
2:      in a,(STATUS)
        rrca
        jr c,2b
        ret
; Command A with bytes from HL, as DRQ asks for them, until INTRQ; Z: it went well.
give:   out (STATUS),a
        ld c,DATA
3:      in a,(CONTROL)
        add a,a
        jr c,4f                         ; DRQ
        jp p,3b
ended:  in a,(STATUS)
        and BAD
        ret
4:      outi
        jr 3b
; The same with bytes to HL.
take:   out (STATUS),a
        ld c,DATA
5:      in a,(CONTROL)
        add a,a
        jr c,6f
        jp p,5b
        jr ended
6:      ini
        .ifdef SLOW
        ld b,20
7:      djnz 7b
        .endif
        jr 5b
; Make what WRITE TRACK takes for cylinder 1 in MFM: F5h is A1 without a clock, F7h the CRC.
build:  ld de,buffer
        ld hl,head
        call runs
        ld c,1
8:      ld hl,before_id
        call runs
        ld a,1                          ; cylinder, head, sector, 512 bytes
        ld (de),a
        inc de
        xor a
        ld (de),a
        inc de
        ld a,c
        ld (de),a
        inc de
        ld hl,behind_id
        call runs
        inc c
        ld a,c
        cp 10
        jr nz,8b
        ld hl,rest
; Lay out the runs at HL: a count and a byte each, up to a count of 0.
runs:   ld b,(hl)
        inc b
        dec b
        ret z
        inc hl
        ld a,(hl)
        inc hl
9:      ld (de),a
        inc de
        djnz 9b
        jr runs
head:   .byte 80,0x4E, 12,0, 3,0xF6, 1,0xFC, 50,0x4E, 0
before_id:
        .byte 12,0, 3,0xF5, 1,0xFE, 0
behind_id:
        .byte 1,2, 1,0xF7, 22,0x4E, 12,0, 3,0xF5, 1,0xFB, 255,0xE5, 255,0xE5, 2,0xE5, 1,0xF7
        .byte 80,0x4E, 0
rest:   .byte 255,0x4E, 255,0x4E, 255,0x4E, 0
formatted:
        .asciz "track 1 formatted\r\n"
text:   .asciz "Tidewater, berth 3: read back from sector 3"
        .space 512
