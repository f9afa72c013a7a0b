; ==========================================================
;  The teletype on line B, polled
; ==========================================================
        .INCLUDE "CASTOFF.INC"
        .SECTION .text,"ax"
        .GLOBL TYPE_INIT, TYPE, TYPE_CHAR, TYPE_LINE, TYPE_HEX4

TYPE_INIT:
        LD A,0x57               ; counter, constant follows, no interrupt
        OUT (CTC2),A
        LD A,8                  ; 2.4576 MHz / 8 / 16 = 19200
        OUT (CTC2),A
        LD HL,WORDS
        LD B,WORDS_LEN
        LD C,SIOBC
        OTIR
        RET

WORDS:  .BYTE 0x18              ; reset
        .BYTE 4, 0x44           ; x16, one stop, no parity
        .BYTE 3, 0xC0           ; we never listen
        .BYTE 5, 0xEA           ; DTR, 8 bits, send, RTS
        .BYTE 1, 0x00           ; no interrupts
        .EQU WORDS_LEN, . - WORDS

; text at HL, ends with 0
TYPE:   LD A,(HL)
        OR A
        RET Z
        CALL TYPE_CHAR
        INC HL
        JR TYPE

TYPE_LINE:
        LD A,13
        CALL TYPE_CHAR
        LD A,10
TYPE_CHAR:
        PUSH AF
TYPE1:  IN A,(SIOBC)
        BIT 2,A                 ; room to send?
        JR Z,TYPE1
        POP AF
        OUT (SIOBD),A
        RET

TYPE_HEX4:
        LD A,H
        CALL TYPE_HEX2
        LD A,L
TYPE_HEX2:
        PUSH AF
        RRA
        RRA
        RRA
        RRA
        CALL TYPE_HEX1
        POP AF
TYPE_HEX1:
        AND 0x0F
        ADD A,'0'
        CP '9'+1
        JR C,TYPE_CHAR
        ADD A,7
        JR TYPE_CHAR
