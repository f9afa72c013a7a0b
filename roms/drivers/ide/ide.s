; Finds the drive, says what it is, counts its starts in sector 1, and reads the sector back.
        .text
start:  ld sp,0
        call talk_on
        ld a,A_B_IN
        out (IDE_CONTROL),a
        call ide_wait                   ; from here on the drive is out of its reset
        jp c,none
        ld hl,0
        ld a,0xEC                       ; IDENTIFY
        call ide_command
        jp c,none
        ld hl,sector
        call ide_take
        ld hl,drive
        call say
        ld hl,sector + 54               ; words 27-46: the model, the first character high
        ld b,5
1:      inc hl
        ld a,(hl)
        call put
        dec hl
        ld a,(hl)
        call put
        inc hl
        inc hl
        djnz 1b
        ld hl,size
        call say
        ld a,(sector + 123)             ; words 60-61: sectors, the low word first
        call put_hex
        ld a,(sector + 122)
        call put_hex
        ld a,(sector + 121)
        call put_hex
        ld a,(sector + 120)
        call put_hex
        ld hl,1
        ld a,0x20                       ; READ SECTORS
        call ide_command
        jp c,fails
        ld hl,sector
        call ide_take
        ld hl,(sector + 510)            ; the last word of the sector
        inc hl
        ld (sector + 510),hl
        ld hl,1
        ld a,0x30                       ; WRITE SECTORS
        call ide_command
        jp c,fails
        ld hl,sector
        call ide_give
        call ide_wait
        jp c,fails
        rra
        jp c,fails
        ld hl,0
        ld (sector + 510),hl
        ld hl,1
        ld a,0x20
        call ide_command
        jp c,fails
        ld hl,sector
        call ide_take
        ld hl,starts
        call say
        ld a,(sector + 511)
        call put_hex
        ld a,(sector + 510)
        call put_hex
        jp prompt
none:   ld hl,no_drive
        jr 2f
fails:  ld hl,failed
2:      call say
        halt
        .include "ide-lib.inc"
drive:  .asciz "\r\ndrive: "
size:   .asciz ", sectors: "
starts: .asciz "h\r\nstarts: "
no_drive: .asciz "\r\nno drive"
failed: .asciz "\r\nthe drive fails"
        .bss
        .comm sector,512
