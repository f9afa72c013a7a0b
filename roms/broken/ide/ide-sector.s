; Reads sector 1 of a drive behind an 8255, again until it comes, waits until the drive has no more
; to give, and echoes keys. EIGHT_BITS turns the 8-bit mode on first, as for a socket of eight lines.
        .text
start:  ld sp,0
        call console_on
        ld a,A_B_IN
        out (IDE_CONTROL),a
.ifdef NO_INVERTERS
        ld a,REST
        out (IDE_C),a
.endif
1:      call ide_wait
        jr c,1b
.ifdef EIGHT_BITS
        ld de,(SELECT | 1 << 4) << 8 | 1
        call ide_put
        ld de,R_STATUS << 8 | 0xEF
        call ide_put
        call ide_wait
.endif
again:  ld hl,1
        ld a,0x20
        call ide_command
        jr c,again
        ld hl,sector
        call ide_take
2:      ld d,R_STATUS
        call ide_get
        and DRQ
        jr nz,2b
        jp echo
        .include "../../drivers/ide/ide-lib.inc"
        .bss
        .comm sector,512
