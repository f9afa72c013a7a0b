; ==========================================================
;  CASTOFF            power-on self test and report
; ==========================================================
        .INCLUDE "CASTOFF.INC"

        .SECTION .start,"ax"
        .GLOBL START
START:  DI
        LD SP,STACK_TOP
        JP SETUP

        .ORG 0x66
        RETN

        .SECTION .text,"ax"
SETUP:  LD HL,BSS_START
        LD BC,BSS_LEN
WIPE:   LD (HL),0
        INC HL
        DEC BC
        LD A,B
        OR C
        JR NZ,WIPE
        CALL TYPE_INIT
        CALL BEAT_INIT
        EI

        LD HL,M_HELLO
        CALL TYPE

; ---- run down the list -----------------------------------
        LD IX,LIST
        LD IY,MARKS
        LD C,0x10
NEXT:   LD A,(IX+2)             ; a routine of 0 ends the list
        OR (IX+3)
        JR Z,REPORT
        LD A,C
        LD (PANEL_IMAGE),A
        ADD A,0x10
        LD C,A
        PUSH BC
        PUSH IX
        PUSH IY
        LD HL,BACK
        PUSH HL
        LD L,(IX+2)
        LD H,(IX+3)
        JP (HL)                 ; the test; carry = it failed
BACK:   POP IY
        POP IX
        POP BC
        LD A,'.'
        JR NC,KEEP
        LD A,'F'
        LD HL,FAILED
        INC (HL)
KEEP:   LD (IY+0),A
        CALL TYPE_CHAR
        INC IY
        LD DE,4
        ADD IX,DE
        JR NEXT

; ---- what came out ---------------------------------------
REPORT: CALL TYPE_LINE
        LD IX,LIST
        LD IY,MARKS
ROW:    LD L,(IX+0)
        LD H,(IX+1)
        LD A,H
        OR L
        JR Z,SUMS
        CALL TYPE
        LD A,(IY+0)
        CP '.'
        LD HL,M_PASS
        JR Z,ROW1
        LD HL,M_FAIL
ROW1:   CALL TYPE
        INC IY
        LD DE,4
        ADD IX,DE
        JR ROW

SUMS:   LD HL,M_SUM
        CALL TYPE
        CALL ROM_SUM
        CALL TYPE_HEX4
        LD HL,M_CRC
        CALL TYPE
        LD HL,(CRC)
        CALL TYPE_HEX4
        LD HL,M_BEATS
        CALL TYPE
        CALL BEATS_NOW
        LD A,H                  ; some hundreds of beats, or the clock is wrong
        OR A
        LD HL,M_SLOW
        JR Z,LAST
        LD HL,M_FINE
LAST:   CALL TYPE
        CALL BEAT_STOP
        LD A,(FAILED)
        OR A
        LD HL,M_SAIL
        JR Z,END
        LD HL,M_STAY
END:    CALL TYPE
        DI
        JR $

; rows: name, routine
LIST:   .WORD N_FLAGS, T_FLAGS
        .WORD N_DECIMAL, T_DECIMAL
        .WORD N_BLOCK, T_BLOCK
        .WORD N_RAM, T_RAM
        .WORD N_CLOCK, T_CLOCK
        .WORD N_LONG, T_LONG
        .WORD N_INDEX, T_INDEX
        .WORD 0, 0

M_HELLO:   .ASCIZ "\r\nCASTOFF bench test, issue D\r\n"
N_FLAGS:   .ASCIZ "flags      "
N_DECIMAL: .ASCIZ "decimal    "
N_BLOCK:   .ASCIZ "block moves"
N_RAM:     .ASCIZ "RAM        "
N_CLOCK:   .ASCIZ "heartbeat  "
N_LONG:    .ASCIZ "long sum   "
N_INDEX:   .ASCIZ "index regs "
M_PASS:    .ASCIZ " pass\r\n"
M_FAIL:    .ASCIZ " FAIL\r\n"
M_SUM:     .ASCIZ "EPROM sum "
M_CRC:     .ASCIZ ", field sum "
M_BEATS:   .ASCIZ ", clock "
M_FINE:    .ASCIZ "fine\r\n"
M_SLOW:    .ASCIZ "SLOW\r\n"
M_SAIL:    .ASCIZ "Nothing found: cast off.\r\n"
M_STAY:    .ASCIZ "Stay moored.\r\n"

        .SECTION .bss,"aw",@nobits
        .GLOBL PANEL_IMAGE, CRC
PANEL_IMAGE: .SPACE 1
MARKS:  .SPACE 8
FAILED: .SPACE 1
CRC:    .SPACE 2
