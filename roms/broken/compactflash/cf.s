; Finds a CompactFlash card, reads its first sector, looks for AAh 55h at its end, echoes keys.
        .text
start:  ld sp,0
        ld hl,table
        ld bc,0x0A21
        otir
.ifdef FOREVER
again:  in a,(0x67)             ; no time-out at all
        rla
        jr c,again
.else
retry:  call not_busy
        jr c,retry_or_stop
.endif
.ifdef DRIVE_1
        ld a,0xF0
        out (0x66),a
ready:  in a,(0x67)
        and 0xC0
        cp 0x40
        jr nz,ready
.endif
.ifndef NO_8_BIT
        call eight_bit
.endif
        call read_first
        jr c,retry_or_stop
        ld hl,(sector+510)
        ld de,0x55AA
        or a
        sbc hl,de
        jr nz,bad
.ifdef HASTY
        call write_hasty
.endif
        ld a,'>'
        call show
echo:   xor a
        out (0x21),a
        in a,(0x21)
        rrca
        jr nc,echo
        in a,(0x20)
        call show
        jr echo
.ifdef FOREVER
retry_or_stop:
        jr start
.else
retry_or_stop:
.ifdef HALTS
        di
        halt
.else
        jr retry
.endif
.endif
bad:    di
        halt
table:  .byte 0x18,4,0x44,3,0xC1,5,0xEA,1,0,0
