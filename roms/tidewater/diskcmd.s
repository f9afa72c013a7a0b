; disk and log: what the person at the terminal does with a floppy.
;
; Each command turns the motor on, does its work and turns the motor off.

        .include "defs.inc"

        .equ CYLINDERS, 80
        .equ NAME_END, 12

        .section .shell, "ax"
        .global cmd_disk, log_archive, log_read

cmd_disk:
        ld de, disk_words
        ld a, (hl)
        or a
        jp nz, run_word
        ex de, hl
        jp show_words

; disk make [9 or 18]: format, sectors a track, and put an empty file system on it.
disk_make:
        ld de, 9
        ld a, (hl)
        or a
        call nz, parse_number
        ld hl, text_make
        jp c, con_puts
        ld a, d
        or a
        jp nz, con_puts
        ld bc, 0x0254                   ; rate, gap
        ld a, e
        cp 9
        jr z, 1f
        ld c, 0x6C
        ld b, d
        cp 18
        jp nz, con_puts
1:      ld d, 2
        ld (volume_sectors), de         ; and two heads
        ld a, c
        ld (make_gap), a
        push bc
        call floppy_begin
        pop bc
        jr c, complain
        xor a
        ld (volume_kind), a
        ld (fdc_c), a
        ld a, b
        call floppy_rate
2:      xor a
        call make_side
        call nc, make_side_1
        jr c, complain
        ld a, (fdc_c)
        and 7
        ld a, '.'
        call z, con_putc
        ld hl, fdc_c
        inc (hl)
        ld a, (hl)
        cp CYLINDERS
        jr nz, 2b
        call con_newline
        call harbour_make
        jr c, complain
        jr attach

make_side_1:
        ld a, 1
make_side:
        ld (fdc_h), a
        ld a, (make_gap)
        ld c, a
        ld a, (volume_sectors)
        jp floppy_format

; Say why at HL, and stop the motor.
complain:
        call con_puts
        jp floppy_end

; disk attach: see what is in the drive.
disk_attach:
        call floppy_begin
        jr c, complain
attach: call volume_attach
        jr c, complain
        ld a, (volume_kind)
        dec a
        ld hl, text_harbour
        jr z, complain
        ld hl, text_fat
        jr complain

; disk detach: forget it, so that it may be taken out.
disk_detach:
        call volume_need
        jp c, con_puts
        xor a
        ld (volume_kind), a
        ld hl, text_goodbye
        jp con_puts

; Turn the motor on and see that the disk is still the one that was attached. Carry set, and
; everything said, when not.
ready:  call volume_need
        call nc, floppy_begin
        call nc, volume_need
        ret nc
        call complain
        scf
        ret

disk_list:
        call ready
        ret c
        call fs_list
        jp floppy_end

; disk show NAME: show a file of the disk.
disk_show:
        call load
        ret c
        ld hl, FILE_DATA
        ld bc, (file_length)
1:      ld a, b
        or c
        ret z
        ld a, (hl)
        cp CR
        jr z, 2f
        cp LF
        jr nz, 3f
        ld a, CR
        call con_putc
        ld a, LF
3:      call con_putc
2:      inc hl
        dec bc
        jr 1b

; Read the file named at HL into FILE_DATA. Carry set, and everything said, when that fails.
load:   push hl
        call ready
        pop de
        ret c
        call fs_find
        call nc, file_load
        jp nc, floppy_end               ; which saves the carry
        call complain
        scf
        ret

; log archive: write the samples in memory as the next file gauge001, gauge002 ...
log_archive:
        ld hl, (log_count)
        ld a, h
        or l
        ld hl, text_no_samples
        jp z, con_puts
        call ready
        ret c
        ld hl, first_name
        ld de, file_name
        ld bc, NAME_END + 1
        ldir
1:      ld de, file_name
        call fs_find
        jr c, 2f
        ld hl, file_name + 7
        call next_digit
        jr 1b
2:      call gather
        call fs_create
        jp c, complain
        call floppy_end
        ld hl, file_name
        ld b, NAME_END
        call print_name
        jp say_sum

; Add one to the decimal number that ends at HL.
next_digit:
        inc (hl)
        ld a, (hl)
        cp '9' + 1
        ret c
        ld (hl), '0'
        dec hl
        jr next_digit

; Copy the samples into FILE_DATA, oldest first; file_length = their bytes.
gather: ld hl, (log_count)
        ld de, LOG_SIZE
        or a
        sbc hl, de
        add hl, de
        jr c, 1f
        ex de, hl
1:      ld b, h                         ; BC = how many
        ld c, l
        ex de, hl
        ld hl, (log_next)
        or a
        sbc hl, de
        ld a, h
        and LOG_MASK_HIGH
        ld h, a                         ; HL = the oldest
        ld a, PAGE_LOG
        call win2_set
        ld de, FILE_DATA
2:      push bc
        push hl
        call record_address
        ld bc, 8
        ldir
        pop hl
        inc hl
        res 1, h
        pop bc
        dec bc
        ld a, b
        or c
        jr nz, 2b
        ld hl, -FILE_DATA
        add hl, de
        ld (file_length), hl
        ret

; log read NAME: show the last samples of a file, and what all its bytes add up to.
log_read:
        call load
        ret c
        ld hl, (file_length)
        ld de, -8 * LOG_SHOWN
        add hl, de
        jr c, 1f
        ld hl, 0
1:      ld de, FILE_DATA
        add hl, de
2:      push hl
        ld de, (file_length)
        or a
        sbc hl, de
        ld de, FILE_DATA
        sbc hl, de
        pop hl
        jr nc, 3f                       ; behind the last byte
        push hl
        call show_sample
        pop hl
        ld de, 8
        add hl, de
        jr 2b
3:      ld hl, text_all
        call con_puts

; Print length and sum of what is in FILE_DATA.
say_sum:
        ld hl, text_colon
        call con_puts
        ld hl, (file_length)
        call print_dec
        ld hl, text_sum
        call con_puts
        call file_sum
        call print_hex16
        jp con_newline

disk_words:
        .asciz "make"
        .asciz "[9|18]   format, sectors a track, and attach"
        .word disk_make
        .asciz "attach"
        .asciz "       use the disk in the drive"
        .word disk_attach
        .asciz "detach"
        .asciz "       before it is taken out"
        .word disk_detach
        .asciz "list"
        .asciz "         list its files"
        .word disk_list
        .asciz "show"
        .asciz "NAME     show a file"
        .word disk_show
        .byte 0

first_name:
        .ascii "gauge001"
        .space NAME_END + 1 - 8
text_make:
        .asciz "disk make wants 9 or 18 sectors a track\r\n"
text_harbour:
        .asciz "attached: a Tidewater disk\r\n"
text_fat:
        .asciz "attached: a FAT12 disk\r\n"
text_goodbye:
        .asciz "detached\r\n"
text_no_samples:
        .asciz "no samples yet, try gauge\r\n"
text_all:
        .asciz "all of it"
text_colon:
        .asciz ": "
text_sum:
        .asciz " bytes, sum "

        .section .bss
make_gap: .space 1
