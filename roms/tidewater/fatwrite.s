; FAT12: a new file. When it fails on the way, the table in memory no longer fits the disk, so
; the disk has to be attached again.

        .include "defs.inc"

        .section .text, "ax"
        .global fat_create

; Write FILE_DATA as file_name.
fat_create:
        ld de, file_name
        call short_name
        ld bc, free_slot
        call each_entry
        ld hl, text_full
        scf
        ret nz
        call file_blocks
        ld (left), a
        ld hl, FILE_DATA
        ld (from), hl
        ld hl, 0
        ld (first), hl
        ld (last), hl
1:      ld a, (left)
        or a
        jr z, 2f
        call grow
        jr nc, 1b
        ex af, af'                      ; keeps the carry
        xor a
        ld (volume_kind), a
        ex af, af'
        ret
2:      call store_table
        ret c
        jp store_entry

; Z set when the entry at HL (first byte A) is free.
free_slot:
        ld (found), hl
        or a
        ret z
        cp 0xE5
        ret

; Give the file one more cluster and write it.
grow:   ld hl, 2
1:      push hl
        call table_get
        ld a, h
        or l
        pop hl
        jr z, 2f
        inc hl
        ld de, (cluster_end)
        push hl
        or a
        sbc hl, de
        pop hl
        jr c, 1b
        ld hl, text_full
        scf
        ret
2:      push hl
        ld bc, 0x0FFF
        call table_set
        pop bc
        ld hl, (last)
        ld (last), bc
        ld a, h
        or l
        jr z, 3f
        push bc
        call table_set
        pop bc
        jr 4f
3:      ld (first), bc
4:      ld h, b
        ld l, c
        call cluster_block
        ex de, hl
        ld hl, left
        ld a, (cluster_blocks)
        cp (hl)
        jr c, 5f
        ld a, (hl)
5:      ld b, a
        ld a, (hl)
        sub b
        ld (hl), a
        ld hl, (from)
        ld a, b
        add a, a
        add a, h
        ld (from + 1), a
        jp write_blocks

; Write each copy of the table.
store_table:
        ld de, (table_start)
        ld a, (tables)
1:      push af
        push de
        ld a, (table_blocks)
        ld b, a
        ld hl, FAT_TABLE
        call write_blocks
        pop de
        pop bc
        ret c
        ld a, (table_blocks)
        ld l, a
        ld h, 0
        add hl, de
        ex de, hl
        ld a, b
        dec a
        jr nz, 1b
        ret

; Fill the folder entry at `found` and write the block that it is in.
store_entry:
        ld hl, fat_name
        ld de, (found)
        ld bc, 11
        ldir
        ld a, 0x20                      ; "archive", as for any new file
        ld b, 11
1:      ld (de), a
        inc de
        xor a
        djnz 1b
        push de
        call now
        ld b, d
        ld c, e
        ex (sp), hl
        call 2f                         ; time
        pop bc
        call 2f                         ; date
        ld bc, (first)
        call 2f
        ld bc, (file_length)
        call 2f
        ld bc, 0
        call 2f
        ld a, (found + 1)
        sub FOLDER >> 8
        rrca
        and 0x0F
        ld l, a
        ld h, 0
        ld de, (folder_start)
        add hl, de
        ex de, hl
        ld a, (found + 1)
        and 0xFE
        ld h, a
        ld l, 0
        ld b, 1
        jp write_blocks
2:      ld (hl), c
        inc hl
        ld (hl), b
        inc hl
        ret

; DE = time and HL = date as a folder entry has them. Destroys all.
now:    call clock_seconds
        push ix
        ld ix, now_moment
        call split_time
        ld a, (ix + T_YEAR)
        add a, 20                       ; years since 1980
        add a, a
        ld b, a
        ld c, (ix + T_MONTH)
        ld a, (ix + T_DAY)
        call shift5
        ex de, hl                       ; DE = month and day
        ld a, d
        or b
        ld d, a
        ld a, (ix + T_HOUR)
        add a, a
        add a, a
        add a, a
        ld b, a                         ; hours, where they go in the high byte
        ld c, (ix + T_MINUTE)
        ld a, (ix + T_SECOND)
        srl a                           ; seconds by two
        call shift5
        ld a, h
        or b
        ld h, a
        ex de, hl
        pop ix
        ret

; HL = C * 32 + A, A below 32.
shift5: ld h, 0
        ld l, c
        add hl, hl
        add hl, hl
        add hl, hl
        add hl, hl
        add hl, hl
        or l
        ld l, a
        ret

        .global fat_ops
fat_ops:
        .word fat_list, fat_find, fat_next, fat_create

        .section .bss
        .global found, table_start, table_blocks, tables, folder_start, folder_blocks
        .global data_start, cluster_blocks, cluster_end, fat_name, fat_cluster, fat_inside
        .global each_call
found:  .space 2                        ; the entry that each_entry ended at
each_call: .space 2
table_start: .space 2
table_blocks: .space 1
tables: .space 1
folder_start: .space 2
folder_blocks: .space 1
data_start: .space 2
cluster_blocks: .space 1
cluster_end: .space 2                   ; one past the last cluster
fat_name: .space 11
fat_cluster: .space 2                   ; where the next block of the file is
fat_inside: .space 1
first:  .space 2                        ; of the file under way
last:   .space 2
from:   .space 2
left:   .space 1
now_moment: .space T_SIZE
