; The shell: read a line, find the command, call it.
;
; A command is called with HL at its arguments and may destroy all registers.

        .include "defs.inc"

        .equ LINE_SIZE, 64

        .section .shell, "ax"
        .global shell_main, cmd_help, run_word, show_words

shell_main:
        ld hl, text_prompt
        call con_puts
        call read_line
        ld hl, line
        call skip_blanks
        ld a, (hl)
        or a
        call nz, run_command
        jr shell_main

; Read a line into `line`, NUL instead of CR. The receive handler only fills a ring: echo
; and editing are done here, at the shell's own pace.
read_line:
        ld hl, line
        ld b, 0                         ; B = characters so far
1:      call con_getc
        cp CR
        jr z, 4f
        cp BS
        jr z, 2f
        cp DEL
        jr z, 2f
        cp CTRL_U
        jr z, 3f
        cp ' '
        jr c, 1b
        ld c, a
        ld a, b
        cp LINE_SIZE - 1
        jr z, 1b
        ld (hl), c
        inc hl
        inc b
        ld a, c
        call con_putc
        jr 1b
2:      call rub_out
        jr 1b
3:      ld a, b
        or a
        jr z, 1b
        call rub_out
        jr 3b
4:      ld (hl), 0
        jp con_newline

; Take back the last character, if there is one.
rub_out:
        ld a, b
        or a
        ret z
        dec b
        dec hl
        push hl
        ld hl, text_rub
        call con_puts
        pop hl
        ret

skip_blanks:
        ld a, (hl)
        cp ' '
        ret nz
        inc hl
        jr skip_blanks

; Find the word at HL in the command table, or in the one at DE, and call its code.
run_command:
        ld de, commands
run_word:
        push de
        call end_word
        ex de, hl                       ; DE = the word
        pop hl
1:      ld a, (hl)
        or a
        jr z, 4f
        push de
2:      ld a, (de)
        cp (hl)
        jr nz, 3f
        inc de
        inc hl
        or a
        jr nz, 2b
        pop bc                          ; found: DE = behind the word
        call skip_string                ; the help
        ld c, (hl)
        inc hl
        ld b, (hl)
        ld hl, (arguments)
        push bc
        ret
3:      pop de
        call skip_string
        call skip_string
        inc hl
        inc hl
        jr 1b
4:      ex de, hl
        call con_puts
        ld hl, text_unknown
        jp con_puts

; End the word at HL with a NUL, remember where its arguments start, cut blanks behind them.
end_word:
        push hl
1:      ld a, (hl)
        or a
        jr z, 2f
        cp ' '
        inc hl
        jr nz, 1b
        dec hl
        ld (hl), 0
        inc hl
2:      call skip_blanks
        ld (arguments), hl
        ld b, h
        ld c, l
3:      ld a, (hl)                      ; BC = behind the last character that is no blank
        or a
        jr z, 4f
        inc hl
        cp ' '
        jr z, 3b
        ld b, h
        ld c, l
        jr 3b
4:      ld (bc), a
        pop hl
        ret

; Move HL behind the string it points into.
skip_string:
        ld a, (hl)
        inc hl
        or a
        jr nz, skip_string
        ret

cmd_help:
        ld hl, commands

; Show the words and helps of the table at HL.
show_words:
1:      ld a, (hl)
        or a
        ret z
        call con_puts
        ld a, ' '
        call con_putc
        call con_puts
        call con_newline
        inc hl
        inc hl
        jr 1b

; Name, help, code.
commands:
        .asciz "ls"
        .asciz "           list the files of the ROM disk"
        .word cmd_ls
        .asciz "cat"
        .asciz "NAME      show a file"
        .word cmd_cat
        .asciz "ps"
        .asciz "           list the processes"
        .word cmd_ps
        .asciz "kill"
        .asciz "N        end process N"
        .word cmd_kill
        .asciz "date"
        .asciz "         date and time; set YYYY-MM-DD hh:mm:ss: set the clock card"
        .word cmd_date
        .asciz "sleep"
        .asciz "N       wait N seconds, 600 at most"
        .word cmd_sleep
        .asciz "pages"
        .asciz "        page usage"
        .word cmd_pages
        .asciz "gauge"
        .asciz "        start sampling the tide gauge, then show samples"
        .word cmd_gauge
        .asciz "log"
        .asciz "          show the last samples; archive: keep them; read NAME: show those"
        .word cmd_log
        .asciz "disk"
        .asciz "         what can be done with a floppy"
        .word cmd_disk
        .asciz "card"
        .asciz "         what can be done with a CompactFlash card"
        .word cmd_card
        .asciz "crash"
        .asciz "        stop with a panic message"
        .word cmd_crash
        .asciz "help"
        .asciz "         this list"
        .word cmd_help
        .byte 0

text_prompt:
        .asciz "tw> "
text_rub:
        .asciz "\b \b"
text_unknown:
        .asciz ": no such command, try help\r\n"

        .section .bss
arguments: .space 2
line:   .space LINE_SIZE
