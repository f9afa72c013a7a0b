; A log of the gauge in the last sector of a 29F040: the driver asks the chip who it is, erases the
; sector, writes a text, reads it back, and shows that a byte cannot be written twice.
; Eight windows of 8 KiB: 0 shows the program, 3 the log's page (70000h of the chip), the upper
; half RAM. The chip's calls run in RAM, as the program cannot be fetched while the chip is busy.
        .equ PAGES,0x50
        .equ PAGING,0x58
        .equ LOG_PAGE,0x38
        .equ LOG,0x6000
        .equ RUNS,0x8000
        .text
start:  di
        ld bc,0x0400 | PAGES
        xor a
1:      out (c),a                       ; windows 0 to 3: pages 0 to 3
        inc c
        inc a
        djnz 1b
        ld a,0x40
        ld b,4
2:      out (c),a                       ; windows 4 to 7: RAM
        inc c
        inc a
        djnz 2b
        ld a,1
        out (PAGING),a
        ld a,LOG_PAGE
        out (PAGES + 3),a
        ld sp,0
        call talk_on
        ld hl,chip
        ld de,RUNS
        ld bc,chip_end - chip
        ldir
        call RUNS + (identify - chip)
        ld hl,codes
        call say
        ld a,d
        call put_hex
        ld a,e
        call put_hex
        call RUNS + (erase - chip)
        jr c,fails
        ld hl,words
        ld de,LOG
        ld b,words_end - words
3:      ld c,(hl)
        push bc
        call RUNS + (program - chip)
        pop bc
        jr c,fails
        inc hl
        inc de
        djnz 3b
        ld hl,written
        call say
        ld hl,LOG
        call say                        ; the text as it stands in the chip
        ld de,LOG                       ; its first letter once more, with a 1 over a 0
        ld c,0xFF
        call RUNS + (program - chip)
        ld hl,refused
        jr c,4f
        ld hl,failed
4:      call say
        jp prompt
fails:  ld hl,failed
        call say
        halt
codes:  .asciz "\r\ncodes: "
written: .asciz "h\r\nlog: "
refused: .asciz "\r\nover a zero: refused"
failed: .asciz "\r\nthe flash fails"
words:  .asciz "07:12 high water 4.31 m"
words_end:

; --- from here on in RAM
        .macro unlock command
        ld a,0xAA
        ld (0x555),a
        ld a,0x55
        ld (0x2AA),a
        ld a,\command
        ld (0x555),a
        .endm
chip:
; The maker's code in D, the device's in E.
identify:
        unlock 0x90
        ld hl,(LOG)
        ld d,l
        ld e,h
        ld a,0xF0                       ; back to reading, before any code of the chip is fetched
        ld (LOG),a
        ret
; Erase the log's sector; carry when the chip gives up.
erase:  unlock 0x80
        ld a,0xAA
        ld (0x555),a
        ld a,0x55
        ld (0x2AA),a
        ld de,LOG
        ld a,0x30
        ld (de),a
        jr wait
; Write C to DE; carry when the chip gives up.
program:
        unlock 0xA0
        ld a,c
        ld (de),a
; Wait until DQ6 stands still; carry when DQ5 says that it never will.
wait:   ld a,(de)
        ld b,a
        ld a,(de)
        xor b
        and 0x40
        ret z
        bit 5,b
        jr z,wait
        ld a,(de)                       ; it may have ended just then
        ld b,a
        ld a,(de)
        xor b
        and 0x40
        ret z
        ld a,0xF0
        ld (de),a
        scf
        ret
chip_end:
