; The ROM disk: read-only files in flash pages from PAGE_DISK on, packed by the build.
;
; Header: "TWRD", number of files. From byte 16 on one 16-byte entry a file: name (9,
; NUL-padded), offset (3), length (2), sum of bytes (2). The directory fits one page.

        .include "defs.inc"


        .section .text, "ax"
        .global romdisk_mount, romdisk_find, romdisk_type, romdisk_first

; Look for a ROM disk and set disk_files to the number of its files, 0 if there is none.
romdisk_mount:
        xor a
        ld (disk_files), a
        call romdisk_first
        ld hl, WIN2
        ld de, text_magic
        ld b, 4
1:      ld a, (de)
        cp (hl)
        jr nz, 2f
        inc hl
        inc de
        djnz 1b
        ld a, (hl)
        ld (disk_files), a
        ret
2:      ld hl, text_no_disk
        jp con_puts

; Show the directory: HL = first entry, B = number of files, Z set when there is none.
romdisk_first:
        ld a, PAGE_DISK
        call win2_set
        ld hl, WIN2 + 16
        ld a, (disk_files)
        ld b, a
        or a
        ret

; Find the file whose NUL-terminated name is at HL. Returns its entry in HL with the
; directory showing, or carry set.
romdisk_find:
        ex de, hl
        call romdisk_first
        jr z, 4f
1:      push hl
        push de
2:      ld a, (de)
        cp (hl)
        jr nz, 3f
        inc hl
        inc de
        or a
        jr nz, 2b
        pop de
        pop hl
        ret                             ; OR left carry clear
3:      pop de
        pop hl
        push bc
        ld bc, D_SIZE
        add hl, bc
        pop bc
        djnz 1b
4:      scf
        ret

; Type the file named at HL on the console; carry set when there is none. LF becomes CR LF.
romdisk_type:
        call romdisk_find
        ret c
        ld bc, D_OFFSET
        add hl, bc
        ld e, (hl)                      ; ADE = offset
        inc hl
        ld d, (hl)
        inc hl
        ld a, (hl)
        inc hl
        ld c, (hl)                      ; BC = length
        inc hl
        ld b, (hl)
        call locate
1:      ld a, b
        or c
        ret z                           ; OR left carry clear
        ld a, (hl)
        cp LF
        jr nz, 2f
        ld a, CR
        call con_putc
        ld a, LF
2:      call con_putc
        dec bc
        inc hl
        ld a, h
        cp WIN2_END_HIGH
        jr nz, 1b
        ld h, WIN2_HIGH                 ; on to the next page
        ld a, (page_shadow + 2)
        inc a
        call win2_set
        jr 1b

; Show the page with byte ADE of the disk; HL = its address in window 2.
locate: ld h, d
        ld l, e
        sla d                           ; page = bits 19 to 13
        rla
        sla d
        rla
        sla d
        rla
        add a, PAGE_DISK
        call win2_set
        ld a, h
        and PAGE_MASK_HIGH
        add a, WIN2_HIGH
        ld h, a
        ret

text_magic:
        .ascii "TWRD"
text_no_disk:
        .asciz "no ROM disk\r\n"

        .section .bss
disk_files: .space 1
