; Tidewater's own file system: a file is one run of blocks, see docs/tidewater-disk.md.
;
; The directory is held in FOLDER while the disk is attached. Creating a file writes its
; blocks first and its directory entry last, so a failure on the way costs that file only.

        .include "defs.inc"

        .equ E_KIND, 12                 ; directory entry
        .equ E_FIRST, 14
        .equ E_BLOCKS, 16
        .equ E_LENGTH, 18
        .equ E_WHEN, 22
        .equ E_SUM, 26
        .equ E_SIZE, 32
        .equ ENTRIES, 64
        .equ DIRECTORY, 1               ; its first block
        .equ DIRECTORY_BLOCKS, 4
        .equ FIRST_FREE, 5

        .section .text, "ax"
        .global harbour_magic, harbour_attach, harbour_make, add_a

; Z set when the disk whose first block is in FDC_BUFFER is one of ours.
harbour_magic:
        ld hl, FDC_BUFFER
        ld de, volume_start
        ld b, 5                         ; magic and version
1:      ld a, (de)
        cp (hl)
        ret nz
        inc hl
        inc de
        djnz 1b
        ret

; Use the disk whose first block is in FDC_BUFFER.
harbour_attach:
        ld hl, FDC_BUFFER + 5
        ld a, (hl)
        ld (volume_sectors), a
        inc hl
        ld a, (hl)
        ld (volume_heads), a
        ld hl, (FDC_BUFFER + 8)
        ld (harbour_blocks), hl
        ld de, DIRECTORY
        ld b, DIRECTORY_BLOCKS
        ld hl, FOLDER
        call read_blocks
        ret c
        ld hl, harbour_ops
        ld a, 1
        jp volume_use

; Write an empty volume on a disk of volume_sectors, two heads and 80 cylinders.
harbour_make:
        ld hl, FOLDER
        ld de, FOLDER + 1
        ld bc, 512 * FIRST_FREE - 1
        ld (hl), 0
        ldir
        ld hl, volume_start
        ld de, FOLDER
        ld bc, volume_end - volume_start
        ldir
        ld a, (volume_sectors)
        ld (FOLDER + 5), a
        ld l, a
        ld h, 0
        ld d, h
        ld e, l
        add hl, hl
        add hl, hl
        add hl, de                      ; five times
        ld b, 5
1:      add hl, hl                      ; by 32: 160 tracks
        djnz 1b
        ld (FOLDER + 8), hl
        ld de, 0
        ld b, FIRST_FREE
        ld hl, FOLDER
        jp write_blocks

; HL = the first entry, B = how many.
entries:
        ld hl, FOLDER
        ld b, ENTRIES
        ret

; Show length and name of each file.
harbour_list:
        call entries
1:      push bc
        push hl
        ld de, E_KIND
        ex de, hl
        add hl, de                      ; DE = entry
        ld a, (de)
        or a
        jr z, 2f
        ld a, (hl)
        dec a
        jr nz, 2f                       ; not a file
        ld c, E_LENGTH - E_KIND
        ld b, a
        add hl, bc
        ld c, (hl)
        inc hl
        ld h, (hl)
        ld l, c
        call print_dec5
        call print_space
        ex de, hl
        ld b, 12
        call print_name
        call con_newline
2:      pop hl
        ld de, E_SIZE
        add hl, de
        pop bc
        djnz 1b
        or a
        ret

; Print the name at HL, at most B characters.
        .global print_name
print_name:
        ld a, (hl)
        or a
        ret z
        call con_putc
        inc hl
        djnz print_name
        ret

; Find the file named at DE.
harbour_find:
        call entries
1:      push bc
        push hl
        push de
        ld b, 12
2:      ld a, (de)
        cp (hl)
        jr nz, 3f
        or a
        jr z, 4f
        inc de
        inc hl
        djnz 2b
        ld a, (de)
        or a
        jr z, 4f
3:      pop de
        pop hl
        ld bc, E_SIZE
        add hl, bc
        pop bc
        djnz 1b
        ld hl, text_no_such
        scf
        ret
4:      pop de
        pop hl
        pop bc
        push ix
        push hl
        pop ix
        ld l, (ix + E_FIRST)
        ld h, (ix + E_FIRST + 1)
        ld (harbour_next), hl
        ld l, (ix + E_LENGTH)
        ld h, (ix + E_LENGTH + 1)
        ld a, (ix + E_LENGTH + 2)
        or (ix + E_LENGTH + 3)
        jr z, 5f
        ld hl, 0xFFFF                   ; too long for anything here
5:      ld (file_length), hl
        pop ix
        or a
        ret

harbour_next_block:
        ld de, (harbour_next)
        inc de
        ld (harbour_next), de
        dec de
        ret

; Write FILE_DATA as file_name.
harbour_create:
        call file_blocks
        ld (need), a
        call find_gap
        ret c
        call free_entry
        ret c
        push hl
        ld a, (need)
        ld b, a
        ld de, (gap)
        ld hl, FILE_DATA
        or a
        call nz, write_blocks
        pop ix
        ret c
        push ix
        pop de
        ld hl, file_name
        ld bc, 12
        ldir
        ld (ix + E_KIND), 1
        ld hl, (gap)
        ld (ix + E_FIRST), l
        ld (ix + E_FIRST + 1), h
        ld a, (need)
        ld (ix + E_BLOCKS), a
        ld hl, (file_length)
        ld (ix + E_LENGTH), l
        ld (ix + E_LENGTH + 1), h
        push ix
        call clock_seconds
        pop ix
        ld (ix + E_WHEN), l
        ld (ix + E_WHEN + 1), h
        ld (ix + E_WHEN + 2), e
        ld (ix + E_WHEN + 3), d
        call file_sum
        ld (ix + E_SUM), l
        ld (ix + E_SUM + 1), h
        push ix
        pop hl
        ld a, h                         ; the block of the directory that holds the entry
        and 0xFE
        ld h, a
        ld l, 0
        sub FOLDER >> 8
        rrca
        add a, DIRECTORY
        ld e, a
        ld d, 0
        ld b, 1
        jp write_blocks

; HL = a free directory entry, cleared.
free_entry:
        call entries
        ld de, E_SIZE
1:      ld a, (hl)
        or a
        jr z, 2f
        add hl, de
        djnz 1b
        ld hl, text_full
        scf
        ret
2:      push hl
        ld b, e
3:      ld (hl), 0
        inc hl
        djnz 3b
        pop hl
        or a
        ret

; gap = the first run of `need` blocks that no entry claims. Whenever an entry claims part of
; the run that is tried, the run behind that entry is tried, against all entries again.
find_gap:
        push ix
        ld hl, FIRST_FREE
1:      ld (gap), hl
        ld ix, FOLDER
        ld b, ENTRIES
2:      ld a, (ix)
        or a
        jr z, 3f
        ld e, (ix + E_FIRST)
        ld d, (ix + E_FIRST + 1)
        ld hl, (gap)
        ld a, (need)
        call add_a
        scf
        sbc hl, de                      ; the run ends before the entry begins?
        jr c, 3f
        ex de, hl
        ld e, (ix + E_BLOCKS)
        ld d, (ix + E_BLOCKS + 1)
        add hl, de
        ld de, (gap)
        or a
        sbc hl, de                      ; or begins behind its end?
        jr z, 3f
        jr c, 3f
        add hl, de
        jr 1b
3:      ld de, E_SIZE
        add ix, de
        djnz 2b
        pop ix
        ld hl, (gap)
        ld a, (need)
        call add_a
        ex de, hl
        ld hl, (harbour_blocks)
        or a
        sbc hl, de
        ld hl, text_full
        ret

; HL = HL + A.
add_a:  add a, l
        ld l, a
        ret nc
        inc h
        ret

harbour_ops:
        .word harbour_list, harbour_find, harbour_next_block, harbour_create

volume_start:
        .ascii "TWFD"
        .byte 1, 9, 2, 80               ; version, sectors, heads, cylinders
        .word 1440, DIRECTORY, DIRECTORY_BLOCKS, 0
        .ascii "tidewater"
volume_end:

        .section .bss
harbour_blocks: .space 2                ; on the whole disk
harbour_next: .space 2
gap:    .space 2
need:   .space 1
