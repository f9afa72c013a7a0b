; card: what the person at the terminal does with a CompactFlash card.

        .include "defs.inc"

        .equ LIST_SHOWN, 8

        .section .shell, "ax"
        .global cmd_card, card_probe

; Say which card there is and what log it has, or nothing when there is none.
card_probe:
        call card_find
        jp c, card_complain
        ld a, (card_state)
        or a
        ret z
        call cardlog_open
        jr nc, show_card
        ld de, text_no_log
        push hl
        or a
        sbc hl, de
        pop hl
        call nz, card_complain

; Show the card and its log in one line.
show_card:
        ld hl, text_card
        call con_puts
        ld hl, card_model
        call con_puts
        ld hl, text_comma
        call con_puts
        ld hl, (card_total)
        ld de, (card_total + 2)
        call print_long
        ld hl, text_sectors
        call con_puts
        ld a, (card_state)
        cp CARD_LOG
        ld hl, text_none
        jp nz, con_puts
        ld hl, text_log
        call con_puts
        ld hl, (log_id)
        call print_dec
        ld hl, text_has
        call con_puts
        ld hl, (log_last)
        ld de, (log_last + 2)
        call print_long
        ld hl, text_of
        call con_puts
        ld hl, (log_end)
        ld de, (log_end + 2)
        ld a, h
        or l
        dec hl                          ; block 0 is no page
        jr nz, 1f
        dec de
1:      call print_long
        ld hl, text_pages
        jp con_puts

cmd_card:
        ld de, card_words
        ld a, (hl)
        or a
        jp nz, run_word
        ex de, hl
        jp show_words

; card find: look for a card again.
find:   call card_probe
        call need_card
        ret nc
        jp con_puts

; card info: what is there.
info:   call need_card
        jp c, con_puts
        jp show_card

; Carry set, with HL = why, when there is no card.
need_card:
        ld a, (card_state)
        sub 1
        ld hl, text_no_card
        ret

; Carry set, with HL = why, when there is no card with a log.
need_log:
        call need_card
        ret c
        sub CARD_LOG - 1
        ld hl, text_no_log_here
        ret

; card make [again]: put an empty log on the card, but not over something else unless told so.
make:   push hl
        call need_card
        pop de
        jp c, con_puts
        ld a, (de)
        or a
        jr nz, 1f
        call read_first
        jp c, card_complain
        call is_blank
        ld hl, text_not_blank
        jp nz, con_puts
1:      call cardlog_make
        jp c, card_complain
        jp show_card

; Z set when all bytes of CARD_BLOCK are the same.
is_blank:
        ld hl, CARD_BLOCK
        ld a, (hl)
        ld b, 0
        call 1f
        ret nz
1:      cp (hl)
        ret nz
        inc hl
        djnz 1b
        ret

; card list: the last runs of the gauge, newest first.
list:   call need_log
        jp c, con_puts
        ld hl, (log_last)
        ld de, (log_last + 2)
        ld a, h
        or l
        or d
        or e
        jp z, empty
        ld b, LIST_SHOWN
1:      push bc
        ld (list_end), hl
        ld (list_end + 2), de
        call cardlog_load
        jr c, 3f
        ld hl, (CARD_BLOCK + L_START)
        ld de, (CARD_BLOCK + L_START + 2)
        ld (list_start), hl
        ld (list_start + 2), de
        call cardlog_load
        jr c, 3f
        call show_run
        pop bc
        ld hl, (list_start)
        ld de, (list_start + 2)
        ld a, h
        or l
        dec hl
        jr nz, 2f
        dec de
2:      ld a, h
        or l
        or d
        or e
        ret z
        djnz 1b
        ret
3:      pop bc
        jp card_complain

; Show the run whose first page is in CARD_BLOCK.
show_run:
        ld hl, text_run
        call con_puts
        ld hl, (CARD_BLOCK + L_RUN)
        call print_dec
        ld hl, text_from
        call con_puts
        ld hl, (list_start)
        ld de, (list_start + 2)
        call print_long
        ld hl, text_to
        call con_puts
        ld hl, (list_end)
        ld de, (list_end + 2)
        call print_long
        ld hl, text_since
        call con_puts
        ld hl, (CARD_BLOCK + L_SAMPLES)
        ld de, (CARD_BLOCK + L_SAMPLES + 2)
        call print_time
        jp con_newline

; card show [PAGE]: the samples of a page, of the last one when none is named.
show:   push ix
        push hl
        pop ix
        call show_page
        pop ix
        ret

show_page:
        call need_log
        jp c, con_puts
        ld hl, (log_last)
        ld de, (log_last + 2)
        ld a, (ix)
        or a
        call nz, parse_long
        ld a, h
        or l
        or d
        or e
        jr z, empty
        call cardlog_load
        jp c, card_complain
        ld hl, text_page
        call con_puts
        ld hl, (CARD_BLOCK + L_BLOCK)
        ld de, (CARD_BLOCK + L_BLOCK + 2)
        call print_long
        ld hl, text_of_run
        call con_puts
        ld hl, (CARD_BLOCK + L_RUN)
        call print_dec
        ld hl, text_has
        call con_puts
        ld hl, (CARD_BLOCK + L_COUNT)
        call print_dec
        ld b, l
        ld hl, text_samples
        call con_puts
        ld hl, CARD_BLOCK + L_SAMPLES
1:      push bc
        push hl
        call show_sample
        pop hl
        ld bc, 8
        add hl, bc
        pop bc
        djnz 1b
        ret

empty:  ld hl, text_no_samples
        jp con_puts

; DEHL = the decimal number at IX, 0 when there is none.
parse_long:
        ld hl, 0
        ld d, h
        ld e, l
1:      ld a, (ix)
        sub '0'
        ret c
        cp 10
        ret nc
        ld c, 10
        call mul32
        inc ix
        jr 1b

card_words:
        .asciz "info"
        .asciz "         which card it is, and its log"
        .word info
        .asciz "find"
        .asciz "         look for a card again"
        .word find
        .asciz "make"
        .asciz "[again]  put an empty log on it; again: whatever it holds"
        .word make
        .asciz "list"
        .asciz "         the last runs of the gauge on it"
        .word list
        .asciz "show"
        .asciz "[PAGE]   the samples of a page, of the last one"
        .word show
        .byte 0

text_card:
        .asciz "CompactFlash: "
text_comma:
        .asciz ", "
text_sectors:
        .asciz " sectors, "
text_none:
        .asciz "no log, try card make\r\n"
text_log:
        .asciz "log "
text_has:
        .asciz ": "
text_of:
        .asciz " of "
text_pages:
        .asciz " pages written\r\n"
text_no_card:
        .asciz "no CompactFlash card is in use, try card find\r\n"
text_no_log_here:
        .asciz "there is no log on the card, try card make\r\n"
text_not_blank:
        .asciz "the card is not blank: card make again loses what is on it\r\n"
text_no_samples:
        .asciz "no samples on the card yet, try gauge\r\n"
text_run:
        .asciz "run "
text_from:
        .asciz ": pages "
text_to:
        .asciz " to "
text_since:
        .asciz ", from "
text_page:
        .asciz "page "
text_of_run:
        .asciz " of run "
text_samples:
        .asciz " samples\r\n"

        .section .bss
list_start: .space 4                    ; the run that is listed
list_end: .space 4
