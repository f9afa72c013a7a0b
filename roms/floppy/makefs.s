; Makes a file system the slow way: formats every track of a 1.44M disk, then writes its 2,880
; sectors in order, one a command, making up each block and its checksum in between.
        .global start
        .equ sectors,18
        .equ tracks,160
        .equ console,0x31
        .equ console_status,0x30

        .bss
        .global buffer
buffer: .space 512
        .text
start:  di
        ld sp,0
        ld a,0x03               ; serial chip: master reset, then 8N1 at clock / 16
        out (console_status),a
        ld a,0x15
        out (console_status),a
        call fdc_start
        jr c,failed
        ld hl,text_format
        call print
        call format_disk
        jr c,failed
        ld hl,text_write
        call print
        call write_disk
        jr c,failed
        ld hl,text_done
        call print
stop:   di
        halt
        jr stop
failed: ld hl,text_failed
        call print
        jr stop

        .text
; Format all tracks, cylinder by cylinder. Carry: failed.
format_disk:
        ld b,0                  ; the track: cylinder * 2 + head
format_next:
        call set_track
        call fdc_seek
        ret c
        call fdc_format
        ret c
        inc b
        ld a,b
        cp tracks
        jr nz,format_next
        or a
        ret

; Write all sectors, one a command. Carry: failed.
write_disk:
        ld b,0
write_track:
        call set_track
        call fdc_seek
        ret c
        ld c,1                  ; the sector
write_next:
        call make_block
        ld a,c
        ld (sector),a
        call fdc_write
        ret c
        inc c
        ld a,c
        cp sectors+1
        jr nz,write_next
        inc b
        ld a,b
        cp tracks
        jr nz,write_track
        or a
        ret

; Set cylinder and head from the track in B.
set_track:
        ld a,b
        and 1
        ld (head),a
        ld a,b
        srl a
        ld (cylinder),a
        ret

; Make up the block of track B, sector C: bytes that count on, the last one their sum.
make_block:
        push bc
        ld hl,buffer
        ld a,b
        add a,c
        ld e,a
        ld d,0                  ; the sum
        ld bc,511
block_byte:
        ld (hl),e
        ld a,d
        add a,e
        ld d,a
        inc e
        inc hl
        dec bc
        ld a,b
        or c
        jr nz,block_byte
        ld (hl),d
        pop bc
        ret

; Print the text at HL, which ends with 0.
print:  ld a,(hl)
        or a
        ret z
        ld e,a
print_wait:
        in a,(console_status)
        bit 1,a
        jr z,print_wait
        ld a,e
        out (console),a
        inc hl
        jr print

text_format: .asciz "formatting\r\n"
text_write:  .asciz "writing\r\n"
text_done:   .asciz "done\r\n"
text_failed: .asciz "failed\r\n"
