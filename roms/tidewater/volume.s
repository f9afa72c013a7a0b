; A disk that is attached: blocks of 512 bytes by number, and the file system on it.
;
; A file system gives four routines, called through volume_ops:
;   list    show the files
;   find    DE = name: carry clear when it is there; file_length set, its first block is next
;   next    DE = the next block of the file
;   create  write FILE_DATA, file_length bytes, as file_name, which is not there yet
; Routines that can fail come back with carry set and HL = the text that says why.

        .include "defs.inc"

        .section .text, "ax"
        .global volume_attach, volume_need, volume_use, blocks_transfer, read_blocks, write_blocks
        .global fs_list, fs_find, fs_next, fs_create, file_load, file_sum

; Find the data rate, the geometry and the file system of the disk in the drive.
volume_attach:
        xor a
        ld (volume_kind), a
        ld a, 2
        call floppy_rate
        call floppy_identify
        jr nc, 1f
        xor a
        call floppy_rate
        call floppy_identify
        ret c
1:      ld hl, 0x0209                   ; enough to find block 0
        ld (volume_sectors), hl
        ld de, 0
        ld b, 1
        ld hl, FDC_BUFFER
        call read_blocks
        ret c
        call harbour_magic
        jp z, harbour_attach
        jp fat_attach

; Carry set when no disk is attached.
volume_need:
        ld a, (volume_kind)
        or a
        ret nz
        ld hl, text_detached
        scf
        ret

; A file system has recognised the disk: HL = its routines, A = its kind.
volume_use:
        ld (volume_kind), a
        ld de, volume_ops
        ld bc, 8
        ldir
        or a
        ret

fs_list:
        ld hl, (volume_ops)
        jp (hl)
fs_find:
        ld hl, (volume_ops + 2)
        jp (hl)
fs_next:
        ld hl, (volume_ops + 4)
        jp (hl)
fs_create:
        ld hl, (volume_ops + 6)
        jp (hl)

read_blocks:
        ld a, FDC_READ
        jr blocks_transfer
write_blocks:
        ld a, FDC_WRITE

; Move B blocks from DE on to or from HL: as many with one command as are on one track.
blocks_transfer:
        ld (io_command), a
        ld (io_address), hl
        ld (io_block), de
        ld a, b
        ld (io_count), a
1:      ld hl, (io_block)
        ld de, 0
        ld a, (volume_sectors)
        ld c, a
        call div32
        inc a
        ld (fdc_r), a
        ld a, (volume_heads)
        ld c, a
        call div32
        ld (fdc_h), a
        ld a, l
        ld (fdc_c), a
        ld a, (fdc_r)
        ld c, a
        ld a, (volume_sectors)
        inc a
        sub c
        ld e, a                         ; E = sectors from there to the end of the track
        ld a, (io_count)
        cp e
        jr nc, 2f
        ld e, a
2:      push de
        ld hl, (io_address)
        ld a, (io_command)
        call floppy_transfer
        pop de
        ret c
        ld d, 0
        ld hl, (io_block)
        add hl, de
        ld (io_block), hl
        ld hl, io_address + 1
        ld a, e
        add a, a                        ; 512 bytes each
        add a, (hl)
        ld (hl), a
        ld hl, io_count
        ld a, (hl)
        sub e
        ld (hl), a
        jr nz, 1b
        ret                             ; SUB left carry clear

; Read the file that was found into FILE_DATA, each run of neighbouring blocks in one go.
file_load:
        ld a, (file_length + 1)
        cp FILE_LIMIT
        ld hl, text_too_long
        ccf
        ret c
        ld hl, FILE_DATA
        ld (load_address), hl
        call file_blocks
        or a
        ret z
        ld (load_left), a
        call fs_next
2:      ld (load_first), de
        ld b, 1
3:      ld hl, load_left                ; B = length of the run so far
        dec (hl)
        jr z, 4f
        push de
        push bc
        call fs_next
        pop bc
        pop hl
        inc hl
        or a
        sbc hl, de
        jr nz, 5f
        inc b
        jr 3b
4:      jr load_run
5:      push de
        call load_run
        pop de
        jr nc, 2b
        ret

; Read the run of B blocks at load_first behind what has been read.
load_run:
        push bc
        ld de, (load_first)
        ld hl, (load_address)
        call read_blocks
        pop bc
        ret c
        ld a, b
        add a, a
        ld hl, load_address + 1
        add a, (hl)
        ld (hl), a
        or a
        ret

; A = blocks of a file of file_length bytes.
        .global file_blocks
file_blocks:
        ld hl, (file_length)
        ld de, 511
        add hl, de
        ld a, h
        rra                             ; the carry of the sum comes in at the top
        ret

; HL = sum of the bytes in FILE_DATA.
file_sum:
        ld hl, 0
        ld bc, (file_length)
        ld de, FILE_DATA
1:      ld a, b
        or c
        ret z
        ld a, (de)
        inc de
        dec bc
        add a, l
        ld l, a
        jr nc, 1b
        inc h
        jr 1b

text_unknown:
        .asciz "no file system that is known\r\n"
text_detached:
        .asciz "no disk is attached, try disk attach\r\n"
        .global text_full, text_no_such, text_unknown
text_full:
        .asciz "no room left on the disk\r\n"
text_no_such:
        .asciz "no such file, try disk list\r\n"
text_too_long:
        .asciz "the file is too long for the memory it would need\r\n"

        .section .bss
        .global volume_kind, volume_sectors, volume_heads, file_length, file_name
volume_kind: .space 1                   ; 0: no disk is attached
volume_sectors: .space 1                ; a track
volume_heads: .space 1
volume_ops: .space 8
io_command: .space 1
io_address: .space 2
io_block: .space 2
io_count: .space 1
load_address: .space 2
load_first: .space 2
load_left: .space 1
file_length: .space 2
file_name: .space 13                    ; NUL-padded
