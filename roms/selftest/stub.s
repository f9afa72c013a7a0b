; Runs a program that stands at 0100h. Its own entries, for whoever writes a program for it:
;   CALL 0040h  print the character in A; keeps every register but AF
;   CALL 0043h  print the text at HL up to a zero byte; keeps every register but AF and HL
;   JP 0046h    end
; For test files that expect it (common practice, no source): the word at 0006h is the top of the
; stack; CALL 0005h with C = 2 prints the character in E, with C = 9 the text at DE up to "$", and
; keeps no register; JP 0000h and the last RET end. Any other C stops the run with a line that
; says so.
        .equ data,0x20                  ; the SIO's channel A
        .equ control,0x21
        .section .low,"ax"
        jp start
        .org 5
        jp expected
        .org 0x40
        jp put
        jp print
        jp finish

        .section .high,"ax"
expected:
        ld a,c
        cp 2
        jr z,single
        cp 9
        jr z,until_dollar
        ld hl,unserved
        call print
        jr finish
single: ld a,e
put:    push af
busy:   in a,(control)
        and 4                           ; transmitter's buffer empty
        jr z,busy
        pop af
        out (data),a
        ret
until_dollar:
        ld a,(de)
        cp '$'
        ret z
        call put
        inc de
        jr until_dollar
print:  ld a,(hl)
        inc hl
        or a
        ret z
        call put
        jr print

start:  di
        ld hl,setup
        ld b,setup_end - setup
        ld c,control
        otir
        ld hl,finish                    ; from now on 0000h is the way out
        ld (1),hl
        ld sp,(6)
        ld hl,0
        push hl                         ; RET ends the program, too
        jp 0x0100
finish: di
        ld sp,(6)
        ld hl,ended
        call print
done:   halt
        jr done

setup:  .db 0x18, 4, 0x44, 3, 0xC1, 5, 0x68 ; x16, 8N1, receiver and transmitter on
setup_end:
ended:  .asciz "\r\nProgram ended.\r\n"
unserved: .asciz "\r\nCALL 0005h: only C = 2 and C = 9 are served.\r\n"
