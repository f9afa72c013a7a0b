; Shows the text in block 0 of an SD card, writes an entry to block 1 and reads it back.
        .text
start:  ld sp,0xFF00
        call talk_on
again:  call begin
        jr c,again
        ld hl,0
        call read_block
        jr c,again
        ld hl,block
        call say
        ld hl,block
        ld a,0x5B
1:      ld (hl),a
        add a,0x3A
        inc hl
        bit 1,h                         ; 512 bytes: `block` begins at a multiple of 1024
        jr z,1b
        ld hl,1
        call write_block
        jr c,again
        call wipe
        ld hl,1
        call read_block
        jr c,again
        ld hl,block
        ld a,0x5B
2:      cp (hl)
        jr nz,other
        add a,0x3A
        inc hl
        bit 1,h
        jr z,2b
        ld hl,written
        call say
        jp prompt
other:  ld hl,differs
        call say
        di
        halt
wipe:   ld hl,block
3:      ld (hl),0
        inc hl
        bit 1,h
        jr z,3b
        ret
written:
        .asciz "\r\nentry written and read back"
differs:
        .asciz "\r\nthe entry is not what was written"
