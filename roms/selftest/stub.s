; Runs a flat program that stands at 0100h.
;   0006h       a word: the top of the program's stack
;   CALL 0005h  C = 2: print the character in E;  C = 9: print the text at DE up to "$";
;               C = 0: end;  anything else answers A = L = 0
;   JP 0000h    ends the program, and so does its last RET
; Registers are not kept by CALL 0005h. Common practice for such programs, no source.
        .equ data,0x20                  ; the SIO's channel A
        .equ control,0x21
        .section .low,"ax"
        jp start
        .org 5
        jp call5

        .section .high,"ax"
call5:  ld a,c
        cp 2
        jr z,one
        cp 9
        jr z,text
        or a
        jp z,finish
        xor a
        ld l,a
        ret
text:   ld a,(de)
        cp '$'
        ret z
        push de
        ld e,a
        call one
        pop de
        inc de
        jr text
one:    in a,(control)
        and 4                           ; transmitter's buffer empty
        jr z,one
        ld a,e
        out (data),a
        ret

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
        ld de,ended
        call text
done:   halt
        jr done

setup:  .db 0x18, 4, 0x44, 3, 0xC1, 5, 0x68 ; x16, 8N1, receiver and transmitter on
setup_end:
ended:  .ascii "\r\nProgram ended.\r\n$"
