; The gauge log on a CompactFlash card, see docs/tidewater-card.md.
;
; Block 0 names the log, the blocks behind it are its pages: a header and up to 61 samples.
; The page under way is written anew with each sample. A run of the gauge begins a page of its
; own, so that a page of an earlier run is never written again. Where the log ends is not kept
; anywhere: pages are written in order, so halving finds the last one that is whole.

        .include "defs.inc"

        .equ H_ID, 6                    ; block 0
        .equ H_END, 8
        .equ H_MADE, 12
        .equ RUNNING_OUT, 2             ; log_mode: nothing is written until the gauge starts anew
        .equ WRITING, 1

        .section .shell, "ax"
        .global cardlog_make, cardlog_open, cardlog_load, cardlog_append
        .global read_first, log_id, log_end, log_last, log_run, log_mode, text_no_log, text_no_page

; Put an empty log on the card. What was there is lost.
cardlog_make:
        ld a, CARD_FOUND
        ld (card_state), a
        call read_first
        ret c
        ld hl, 1
        jr nz, 1f
        ld hl, (CARD_BLOCK + H_ID)      ; pages of the log before must not count
        inc hl
1:      push hl
        ld hl, CARD_BLOCK
        call clear_block
        ld hl, magic
        ld de, CARD_BLOCK
        ld bc, MAGIC_SIZE
        ldir
        pop hl
        ld (CARD_BLOCK + H_ID), hl
        ld hl, (card_total)
        ld (CARD_BLOCK + H_END), hl
        ld hl, (card_total + 2)
        ld (CARD_BLOCK + H_END + 2), hl
        call clock_seconds
        ld (CARD_BLOCK + H_MADE), hl
        ld (CARD_BLOCK + H_MADE + 2), de
        ld hl, 0
        ld d, h
        ld e, l
        ld bc, CARD_BLOCK
        call card_write
        ret c

; Find the log on the card and its last page. Carry set when that fails, with HL = why.
cardlog_open:
        ld a, CARD_FOUND
        ld (card_state), a
        call read_first
        ret c
        ld hl, text_no_log
        scf
        ret nz
        ld hl, (CARD_BLOCK + H_ID)
        ld (log_id), hl
        ld hl, (CARD_BLOCK + H_END)
        ld (log_end), hl
        ld (above), hl
        ld hl, (CARD_BLOCK + H_END + 2)
        ld (log_end + 2), hl
        ld (above + 2), hl
        ld hl, 0
        ld (log_last), hl
        ld (log_last + 2), hl
        ld (log_run), hl
1:      ld hl, (log_last)               ; halve: log_last is whole, `above` is not
        ld de, (above)
        add hl, de
        ex de, hl
        ld hl, (log_last + 2)
        ld bc, (above + 2)
        adc hl, bc
        ex de, hl
        srl d
        rr e
        rr h
        rr l
        ld bc, log_last
        call equal
        jr z, 4f
        push de
        push hl
        call cardlog_load
        jr c, 2f
        ld hl, (CARD_BLOCK + L_RUN)
        ld (log_run), hl
        pop hl
        pop de
        ld (log_last), hl
        ld (log_last + 2), de
        jr 1b
2:      ld de, text_busy
        or a
        sbc hl, de
        jr z, 3f
        pop hl
        pop de
        ld (above), hl
        ld (above + 2), de
        jr 1b
3:      pop hl
        pop de
        ld hl, text_busy
        scf
        ret
4:      ld (log_mode), a                ; 0: the next sample begins a run
        ld a, CARD_LOG
        ld (card_state), a
        or a
        ret

; Read block 0. Z set when it names a log.
read_first:
        ld hl, 0
        ld d, h
        ld e, l
        call card_read
        ret c
        ld hl, CARD_BLOCK
        ld de, magic
        ld b, MAGIC_SIZE
1:      ld a, (de)
        cp (hl)
        jr nz, 2f
        inc hl
        inc de
        djnz 1b
2:      scf
        ccf
        ret

; Z set, and A = 0, when DEHL is the number at BC. Saves DE and HL.
equal:  ld a, (bc)
        sub l
        ret nz
        inc bc
        ld a, (bc)
        sub h
        ret nz
        inc bc
        ld a, (bc)
        sub e
        ret nz
        inc bc
        ld a, (bc)
        sub d
        ret

; Read page DEHL. Carry set, with HL = why, when it cannot be read or is no whole page.
cardlog_load:
        push de
        push hl
        call card_read
        jr nc, 1f
        pop bc
        pop bc
        ret
1:      pop hl
        pop de
        ld bc, CARD_BLOCK + L_BLOCK
        call equal
        jr nz, 3f
        ld hl, CARD_BLOCK
        ld de, page_magic
        ld b, 4
2:      ld a, (de)
        cp (hl)
        jr nz, 3f
        inc hl
        inc de
        djnz 2b
        ld hl, (CARD_BLOCK + L_ID)
        ld de, (log_id)
        or a
        sbc hl, de
        jr nz, 3f
        ld a, (CARD_BLOCK + L_COUNT)
        dec a
        cp PAGE_SAMPLES
        jr nc, 3f
        ld hl, CARD_BLOCK
        call page_sum
        ld hl, (CARD_BLOCK + L_SUM)
        sbc hl, de
        ret z
3:      ld hl, text_no_page
        scf
        ret

; DE = sum of the samples in the page at HL, carry clear. Destroys all.
page_sum:
        ld bc, L_COUNT
        add hl, bc
        ld b, (hl)
        ld de, L_SAMPLES - L_COUNT
        add hl, de
        ld de, 0
1:      ld c, 8
2:      ld a, (hl)
        inc hl
        add a, e
        ld e, a
        jr nc, 3f
        inc d
3:      dec c
        jr nz, 2b
        djnz 1b
        or a
        ret

; Add the sample at HL, if the card has a log.
cardlog_append:
        ld a, (card_state)
        cp CARD_LOG
        ret nz
        ld a, (log_mode)
        cp RUNNING_OUT
        ret z
        call sched_hold
        call append
        call sched_free
        ret nc
        ld a, RUNNING_OUT
        ld (log_mode), a
        call card_complain
        ld hl, text_memory
        jp con_puts

append: ex de, hl                       ; DE = sample
        ld a, (log_mode)
        dec a
        jr nz, 1f
        ld a, (CARD_PAGE + L_COUNT)
        cp PAGE_SAMPLES
        jr nz, 3f
1:      push de                         ; a new page, the first of a run or not
        push af
        ld hl, (log_last)
        ld de, (log_last + 2)
        call next_block
        ld bc, log_end
        call equal
        jr z, 4f
        pop af
        call new_page
        pop de
3:      ld hl, (CARD_PAGE + L_COUNT)
        push hl
        inc hl
        ld (CARD_PAGE + L_COUNT), hl
        pop hl
        add hl, hl
        add hl, hl
        add hl, hl
        ld bc, CARD_PAGE + L_SAMPLES
        add hl, bc
        ex de, hl
        ld bc, 8
        ldir
        ld hl, CARD_PAGE
        call page_sum
        ld (CARD_PAGE + L_SUM), de
        ld hl, (CARD_PAGE + L_BLOCK)
        ld de, (CARD_PAGE + L_BLOCK + 2)
        ld bc, CARD_PAGE
        call card_write
        ret c
        ld hl, (CARD_PAGE + L_BLOCK)
        ld (log_last), hl
        ld hl, (CARD_PAGE + L_BLOCK + 2)
        ld (log_last + 2), hl
        ld hl, (CARD_PAGE + L_RUN)
        ld (log_run), hl
        ld a, WRITING
        ld (log_mode), a
        ret
4:      pop af
        pop de
        ld hl, text_log_full
        scf
        ret

; Add one to DEHL.
next_block:
        inc l
        ret nz
        inc h
        ret nz
        inc de
        ret

; Begin page DEHL in CARD_PAGE; A = PAGE_SAMPLES: the run goes on, else it begins.
new_page:
        cp PAGE_SAMPLES
        jr z, 1f
        push de
        push hl
        ld hl, page_magic
        ld de, CARD_PAGE
        ld bc, 4
        ldir
        ld hl, (log_id)
        ld (CARD_PAGE + L_ID), hl
        ld hl, (log_run)
        inc hl
        ld (CARD_PAGE + L_RUN), hl
        pop hl
        pop de
        ld (CARD_PAGE + L_START), hl
        ld (CARD_PAGE + L_START + 2), de
1:      ld (CARD_PAGE + L_BLOCK), hl
        ld (CARD_PAGE + L_BLOCK + 2), de
        ld hl, CARD_PAGE + L_COUNT      ; the header's fields before it are set
        ld b, 0                         ; 256 bytes and then those that are left
        call clear
        ld b, 512 - 256 - L_COUNT
        jr clear

; Fill the block at HL with 0.
clear_block:
        ld b, 0
        call clear
clear:  ld (hl), 0
        inc hl
        djnz clear
        ret

magic:  .ascii "TWCF"
        .byte 1                         ; version
        .equ MAGIC_SIZE, . - magic
page_magic:
        .ascii "TWLG"
text_no_log:
        .asciz "there is no log on the card, try card make"
text_no_page:
        .asciz "that is no page of the log"
text_log_full:
        .asciz "the log is full"
text_memory:
        .asciz "the gauge goes on in memory only\r\n"

        .section .bss
log_id: .space 2
log_end: .space 4                       ; one past its last block
log_last: .space 4                      ; its last page, 0 when it is empty
log_run: .space 2                       ; the run of that page
log_mode: .space 1
above:  .space 4
