; FAT12, as other machines write it (ECMA-107): files of the root folder.
;
; Table and folder are held in FAT_TABLE and FOLDER while the disk is attached; both copies of
; the table are written behind a file's data, its folder entry last.

        .include "defs.inc"

        .equ F_ATTRIBUTES, 11           ; folder entry
        .equ F_CLUSTER, 26
        .equ F_LENGTH, 28
        .equ F_SIZE, 32
        .equ NO_FILE, 0x18              ; volume label, part of a long name, or folder
        .equ TABLE_LIMIT, 13
        .equ FOLDER_LIMIT, 17

        .section .text, "ax"
        .global fat_attach, fat_list, fat_find, fat_next, each_entry, short_name, cluster_block
        .global table_get, table_set

; Use the disk whose first block is in FDC_BUFFER, if it is a volume that fits here.
fat_attach:
        ld hl, (FDC_BUFFER + 510)
        ld de, 0xAA55
        or a
        sbc hl, de
        jr nz, 1f
        ld hl, (FDC_BUFFER + 11)
        ld de, 512
        sbc hl, de
        jr nz, 1f
        ld a, (FDC_BUFFER + 22)
        ld (table_blocks), a
        cp TABLE_LIMIT
        jr nc, 1f
        ld hl, (FDC_BUFFER + 17)
        add hl, hl
        add hl, hl
        add hl, hl
        add hl, hl                      ; H = blocks of the root folder
        ld a, h
        ld (folder_blocks), a
        cp FOLDER_LIMIT
        jr c, 2f
1:      ld hl, text_unknown
        scf
        ret
2:      ld hl, (FDC_BUFFER + 24)
        ld a, (FDC_BUFFER + 26)
        ld h, a
        ld (volume_sectors), hl
        ld a, (FDC_BUFFER + 13)
        ld (cluster_blocks), a
        ld a, (FDC_BUFFER + 16)
        ld (tables), a
        ld b, a
        ld hl, (FDC_BUFFER + 14)
        ld (table_start), hl
        ld a, (table_blocks)
        ld e, a
        ld d, 0
3:      add hl, de
        djnz 3b
        ld (folder_start), hl
        ld a, (folder_blocks)
        ld e, a
        add hl, de
        ld (data_start), hl
        ex de, hl
        ld hl, (FDC_BUFFER + 19)
        or a
        sbc hl, de                      ; blocks of data
        ld de, 0
        ld a, (cluster_blocks)
        ld c, a
        call div32
        inc hl
        inc hl
        ld (cluster_end), hl            ; clusters count from 2
        ld de, (table_start)
        ld a, (table_blocks)
        ld b, a
        ld hl, FAT_TABLE
        call read_blocks
        ret c
        ld de, (folder_start)
        ld a, (folder_blocks)
        ld b, a
        ld hl, FOLDER
        call read_blocks
        ret c
        ld hl, fat_ops
        ld a, 2
        jp volume_use

; Call what BC points to for each entry at HL until it comes back with Z set, or the folder
; ends: then with Z clear. A = the entry's first byte.
each_entry:
        ld (each_call), bc
        ld a, (folder_blocks)
        ld c, a
        ld hl, FOLDER
1:      ld b, 512 / F_SIZE
2:      ld a, (hl)
        push bc
        push hl
        ld de, 3f
        push de
        ld de, (each_call)
        push de
        ret
3:      pop hl
        pop bc
        ret z
        ld de, F_SIZE
        add hl, de
        djnz 2b
        dec c
        jr nz, 1b
        inc c
        ret

; Z clear, and carry clear when the entry at HL (first byte A) is a file.
is_file:
        or a
        jr z, 1f
        cp 0xE5
        jr z, 1f
        push hl
        ld de, F_ATTRIBUTES
        add hl, de
        ld a, (hl)
        pop hl
        and NO_FILE
        jr nz, 1f
        inc a
        ret
1:      or 1
        scf
        ret

fat_list:
        ld bc, 1f
        call each_entry
        or a
        ret
1:      call is_file
        jr c, 2f
        push hl
        ld de, F_LENGTH
        add hl, de
        ld e, (hl)
        inc hl
        ld d, (hl)
        ex de, hl
        call print_dec5
        call print_space
        pop hl
        ld b, 8
        call print_part
        ld a, (hl)
        cp ' '
        ld a, '.'
        call nz, con_putc
        ld b, 3
        call print_part
        call con_newline
2:      or 1
        ret

; Print B characters at HL without the blanks at their end; HL goes behind them.
print_part:
        ld a, (hl)
        inc hl
        cp ' '
        call nz, con_putc
        djnz print_part
        ret

; Find the file named at DE.
fat_find:
        call short_name
        ld bc, same_name
        call each_entry
        ld hl, text_no_such
        scf
        ret nz
        ld hl, (found)
        ld de, F_CLUSTER
        add hl, de
        ld e, (hl)
        inc hl
        ld d, (hl)
        inc hl
        ld (fat_cluster), de
        xor a
        ld (fat_inside), a
        ld e, (hl)
        inc hl
        ld d, (hl)
        inc hl
        ld a, (hl)
        inc hl
        or (hl)
        jr z, 1f
        ld de, 0xFFFF                   ; too long for anything here
1:      ld (file_length), de
        ret

; Z set when the entry at HL is a file of the name in fat_name.
same_name:
        ld (found), hl
        call is_file
        jr nc, 1f
        or 1
        ret
1:      ld de, fat_name
        ld b, 11
2:      ld a, (de)
        cp (hl)
        ret nz
        inc de
        inc hl
        djnz 2b
        ret

; fat_name = the name at DE in capitals, eight characters and three.
short_name:
        ld hl, fat_name
        ld b, 11
1:      ld (hl), ' '
        inc hl
        djnz 1b
        ld hl, fat_name
        ld b, 9
2:      ld a, (de)
        or a
        ret z
        inc de
        cp '.'
        jr z, 3f
        call capital
        djnz 4f
        inc b                           ; too long: the rest is not looked at
        jr 2b
4:      ld (hl), a
        inc hl
        jr 2b
3:      ld hl, fat_name + 8
        ld b, 4
        jr 2b

capital:
        cp 'a'
        ret c
        cp 'z' + 1
        ret nc
        sub 'a' - 'A'
        ret

; DE = the next block of the file.
fat_next:
        ld hl, (fat_cluster)
        call cluster_block
        ld a, (fat_inside)
        call add_a
        push hl
        ld hl, fat_inside
        inc (hl)
        ld a, (cluster_blocks)
        cp (hl)
        jr nz, 1f
        ld (hl), 0
        ld hl, (fat_cluster)
        call table_get
        ld (fat_cluster), hl
1:      pop de
        ret

; HL = first block of cluster HL.
cluster_block:
        dec hl
        dec hl
        ld a, (cluster_blocks)          ; a power of two
1:      rrca
        jr c, 2f
        add hl, hl
        jr 1b
2:      ld de, (data_start)
        add hl, de
        ret

; HL = place of cluster HL in the table, carry set when it is an odd one: 12 bits each.
table_place:
        ld d, h
        ld e, l
        srl d
        rr e
        push af
        add hl, de
        ld de, FAT_TABLE
        add hl, de
        pop af
        ret

; HL = what the table says of cluster HL.
table_get:
        call table_place
        ld e, (hl)
        inc hl
        ld d, (hl)
        ex de, hl
        jr c, 1f
        ld a, h
        and 0x0F
        ld h, a
        ret
1:      ld b, 4
2:      srl h
        rr l
        djnz 2b
        ret

; Let the table say BC of cluster HL.
table_set:
        call table_place
        jr c, 1f
        ld (hl), c
        inc hl
        ld a, (hl)
        and 0xF0
        or b
        ld (hl), a
        ret
1:      ld a, c
        rlca
        rlca
        rlca
        rlca
        ld c, a                         ; its halves changed places
        and 0xF0
        ld e, a
        ld a, (hl)
        and 0x0F
        or e
        ld (hl), a
        inc hl
        ld a, b
        rlca
        rlca
        rlca
        rlca
        ld b, a
        ld a, c
        and 0x0F
        or b
        ld (hl), a
        ret
