; The tide gauge: a background process that takes a sample every second into a RAM ring.
;
; No gauge is fitted, so the level is made up: a sine of 12 h 25 min, the two tides of a
; lunar day, around 3.00 m, and some centimetres of waves.

        .include "defs.inc"

        .equ PHASE_STEP, 375            ; 65536 * 256 / 375 = 44739 s = 12 h 25 min 39 s
        .equ MEAN_LEVEL, 300            ; cm

        .section .shell, "ax"
        .global gauge_main, cmd_gauge, cmd_log, record_address, show_sample, load_word, log_count, log_next

; gauge: start the process, or show its samples when it runs already.
cmd_gauge:
        call gauge_running
        jp nc, show_log
        ld hl, gauge_main
        ld de, name_gauge
        call spawn
        ld hl, text_full
        jp c, con_puts
        ld (gauge_id), a
        ld hl, text_started
        call con_puts
        ld l, a
        ld h, 0
        call print_dec
        jp con_newline

; Carry clear when the process that was started last still lives. Numbers come round again
; after 254 processes, so the name is compared too.
gauge_running:
        ld a, (gauge_id)
        or a
        scf
        ret z
        push ix
        di
        call find_process
        ei
        ld l, (ix + P_NAME)
        ld h, (ix + P_NAME + 1)
        pop ix
        ret c
        ld de, name_gauge
        sbc hl, de
        ret z
        scf
        ret

; The process. Window 2 is its own: the scheduler keeps a page for each process.
gauge_main:
        ld a, PAGE_LOG
        call win2_set
        xor a
        ld (log_mode), a                ; a run of its own on the card
1:      call log_sample
        push hl
        call cardlog_append
        pop hl
        call display_sample
        ld hl, TICKS_PER_SECOND
        call sleep_ticks
        jr 1b

; Write one record, and return its address in HL; log_next moves on last, so that a reader never
; meets half a record.
log_sample:
        call gauge_level
        push hl
        call clock_seconds
        push de
        push hl
        ld hl, (log_next)
        call record_address
        pop bc
        call store_word
        pop bc
        call store_word
        pop bc
        call store_word
        ld bc, (log_count)
        inc bc
        call store_word
        ld (log_count), bc
        ld bc, -8
        add hl, bc
        push hl
        ld hl, (log_next)
        inc hl
        res 1, h                        ; modulo LOG_SIZE
        ld (log_next), hl
        pop hl
        ret

store_word:
        ld (hl), c
        inc hl
        ld (hl), b
        inc hl
        ret

; HL = address in window 2 of record HL.
record_address:
        add hl, hl
        add hl, hl
        add hl, hl
        ld a, h
        add a, WIN2_HIGH
        ld h, a
        ret

; HL = level now, in centimetres.
gauge_level:
        ld hl, (gauge_phase)            ; the upper 16 of 24 bits are at gauge_phase + 1
        ld de, PHASE_STEP
        add hl, de
        ld (gauge_phase), hl
        jr nc, 1f
        ld hl, gauge_phase + 2
        inc (hl)
1:      ld a, (gauge_phase + 2)
        ld c, a
        rrca
        rrca
        and 0x3F                        ; six bits: the step of the table
        ld l, a
        ld h, 0
        ld de, tide_table
        add hl, de
        ld d, (hl)
        inc hl
        ld e, (hl)                      ; from D to E in four parts
        ld hl, 0
        ld a, c
        and 3
        ld c, a                         ; parts of E, the rest of D
        ld b, 4
2:      ld a, c
        or a
        ld a, d
        jr z, 3f
        dec c
        ld a, e
3:      call add_signed
        djnz 2b
        sra h
        rr l
        sra h
        rr l
        call wave
        call add_signed
        ld de, MEAN_LEVEL
        add hl, de
        ret

; HL = HL + A, A signed. Destroys A.
add_signed:
        push de
        ld e, a
        rla
        sbc a, a                        ; the sign in all bits
        ld d, a
        add hl, de
        pop de
        ret

; A = -3 to 4: three bits of a 16-bit shift register.
wave:   push hl
        ld hl, (wave_bits)
        ld a, h
        or l
        jr nz, 1f
        ld l, 0xB5                      ; all zeros would stay zeros
1:      add hl, hl
        jr nc, 2f
        ld a, l
        xor 0x2D                        ; x^16 + x^5 + x^3 + x^2 + 1
        ld l, a
2:      ld (wave_bits), hl
        ld a, h
        pop hl
        and 7
        sub 3
        ret

; log: show the last samples, or do what the word behind it says.
cmd_log:
        ld de, log_words
        ld a, (hl)
        or a
        jp nz, run_word
show_log:
        ld hl, (log_count)
        ld a, h
        or l
        jr nz, 1f
        ld hl, text_empty
        jp con_puts
1:      ld a, h
        or a
        ld b, LOG_SHOWN
        jr nz, 2f
        ld a, l
        cp b
        jr nc, 2f
        ld b, a
2:      ld hl, (log_next)
        ld e, b
        ld d, 0
        or a
        sbc hl, de
        ld a, h
        and LOG_MASK_HIGH
        ld h, a
        ld a, PAGE_LOG
        call win2_set
3:      push bc
        push hl
        call show_record
        pop hl
        inc hl
        res 1, h
        pop bc
        djnz 3b
        ret

; Show record HL: number, time, metres.
show_record:
        call record_address

; Show the record at HL.
show_sample:
        push hl
        ld de, 6
        add hl, de
        call load_word
        ex de, hl
        call print_dec5
        call print_space
        pop hl
        call load_word
        push de
        call load_word
        pop bc
        push hl
        ld h, b
        ld l, c
        call print_time
        call print_space
        pop hl
        call load_word
        ex de, hl
        ld de, 0
        ld c, 100
        call div32
        ld b, a
        call print_dec
        ld a, '.'
        call con_putc
        ld a, b
        call print_two
        ld hl, text_metres
        jp con_puts

; DE = word at HL, which moves on.
load_word:
        ld e, (hl)
        inc hl
        ld d, (hl)
        inc hl
        ret

log_words:
        .asciz "archive"
        .asciz ""
        .word log_archive
        .asciz "read"
        .asciz ""
        .word log_read
        .byte 0

tide_table:
        .byte 0, 12, 23, 35, 46, 57, 67, 76
        .byte 85, 93, 100, 106, 111, 115, 118, 119
        .byte 120, 119, 118, 115, 111, 106, 100, 93
        .byte 85, 76, 67, 57, 46, 35, 23, 12
        .byte 0, -12, -23, -35, -46, -57, -67, -76
        .byte -85, -93, -100, -106, -111, -115, -118, -119
        .byte -120, -119, -118, -115, -111, -106, -100, -93
        .byte -85, -76, -67, -57, -46, -35, -23, -12
        .byte 0                         ; once more the first, for the last step

name_gauge:
        .asciz "gauge"
text_started:
        .asciz "sampling, process "
text_full:
        .asciz "no room for another process\r\n"
text_empty:
        .asciz "no samples yet, try gauge\r\n"
text_metres:
        .asciz " m\r\n"

        .section .bss
gauge_id: .space 1
gauge_phase: .space 3
wave_bits: .space 2
log_next: .space 2
log_count: .space 2                     ; samples since boot, modulo 65536
