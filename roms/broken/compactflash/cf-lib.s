; What the CompactFlash machines share: a card at 60h-67h and the console at 20h.
        .equ data,0x60
        .equ error,0x61
        .equ count,0x62
        .equ lba0,0x63
        .equ head,0x66
        .equ status,0x67
        .global not_busy, eight_bit, read_first, write_hasty, sector, show
        .text
; Wait for BSY = 0; carry set when it does not come in about 30 ms at 4 MHz.
not_busy:
        ld bc,2000
1:      in a,(status)
        rla
        ret nc
        dec bc
        ld a,b
        or c
        jr nz,1b
        scf
        ret
eight_bit:
        ld a,1
        out (error),a
        ld a,0xEF
        out (status),a
        jr not_busy
; Read sector 0 to `sector`, looking at DRQ before each byte.
read_first:
        ld a,1
        out (count),a
        xor a
        out (lba0),a
        out (lba0+1),a
        out (lba0+2),a
        ld a,0xE0
        out (head),a
        ld a,0x20
        out (status),a
        call not_busy
        ret c
        ld hl,sector
        ld de,512
2:      in a,(status)
        and 0x08
        jr z,2b
        in a,(data)
        ld (hl),a
        inc hl
        dec de
        ld a,d
        or e
        jr nz,2b
        ret
; Write `sector` to sector 1 with no look at DRQ, then wait until the card wants no more.
write_hasty:
        ld a,1
        out (count),a
        out (lba0),a
        ld hl,sector
        ld bc,data
        ld a,0x30
        out (status),a
        otir
        otir
4:      in a,(status)
        and 0x88
        jr nz,4b
        ret
; Send A to the console.
show:   push af
3:      xor a
        out (0x21),a
        in a,(0x21)
        and 4
        jr z,3b
        pop af
        out (0x20),a
        ret
        .bss
        .comm sector,512
