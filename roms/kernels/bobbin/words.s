; The words of the ROM, oldest first.

        .GLOBAL LASTROM,TURNS,UNLESS,AGAIN

NOW     .EQU 0x80               ; acts while winding
        .SET LINK,0

        .MACRO HEAD name,label,flags=0
H_\label: .WORD LINK
        .SET LINK,H_\label
        .BYTE \flags+N_\label-M_\label
M_\label: .ASCII "\name"
N_\label:
        .ENDM

        .SECTION .text,"ax"

; ---- arithmetic
        HEAD "add",ADDW
        POP  HL
        POP  DE
        ADD  HL,DE
        PUSH HL
        JP   NEXT

        HEAD "sub",SUBW
        POP  DE
        POP  HL
        OR   A
        SBC  HL,DE
        PUSH HL
        JP   NEXT

        HEAD "mul",MULW
        POP  HL
        POP  DE
        PUSH BC
        LD   B,H
        LD   C,L
        LD   HL,0
        LD   A,16
1:      ADD  HL,HL
        SLA  C
        RL   B
        JR   NC,2f
        ADD  HL,DE
2:      DEC  A
        JR   NZ,1b
        POP  BC
        PUSH HL
        JP   NEXT

        HEAD "div",DIVW
        POP  DE
        POP  HL
        CALL DIVIDE
        PUSH HL
        JP   NEXT

        HEAD "rem",REMW
        POP  DE
        POP  HL
        CALL DIVIDE
        PUSH DE
        JP   NEXT

; HL / DE (1..32767): quotient HL, remainder DE.
DIVIDE: LD   A,D
        OR   E
        JR   Z,1f
        BIT  7,D
        JR   Z,2f
1:      LD   HL,EDIV
        JP   FAIL
2:      PUSH BC
        LD   B,H
        LD   C,L
        LD   HL,0
        LD   A,16
3:      SLA  C
        RL   B
        ADC  HL,HL              ; never carries: the remainder has 15 bits
        SBC  HL,DE
        JR   NC,4f
        ADD  HL,DE
        JR   5f
4:      INC  C
5:      DEC  A
        JR   NZ,3b
        EX   DE,HL
        LD   H,B
        LD   L,C
        POP  BC
        RET

; ---- truth: 1 or 0
        HEAD "less",LESSW
        POP  DE
        POP  HL
        LD   A,H                ; signed: turn the sign bits over
        XOR  0x80
        LD   H,A
        LD   A,D
        XOR  0x80
        LD   D,A
        OR   A
        SBC  HL,DE
        LD   HL,0
        JR   NC,1f
        INC  L
1:      PUSH HL
        JP   NEXT

        HEAD "same",SAMEW
        POP  DE
        POP  HL
        OR   A
        SBC  HL,DE
        JR   TRUEZ

        HEAD "not",NOTW
        POP  HL
        LD   A,H
        OR   L
TRUEZ:  LD   HL,0
        JR   NZ,1f
        INC  L
1:      PUSH HL
        JP   NEXT

; ---- the numbers at hand
        HEAD "copy",COPYW
        POP  HL
        PUSH HL
        PUSH HL
        JP   NEXT

        HEAD "toss",TOSSW
        POP  HL
        JP   NEXT

        HEAD "trade",TRADEW
        POP  HL
        EX   (SP),HL
        PUSH HL
        JP   NEXT

        HEAD "under",UNDERW
        POP  DE
        POP  HL
        PUSH HL
        PUSH DE
        PUSH HL
        JP   NEXT

; ---- boxes
        HEAD "from",FROMW
        POP  HL
        LD   E,(HL)
        INC  HL
        LD   D,(HL)
        PUSH DE
        JP   NEXT

        HEAD "into",INTOW
        POP  HL
        POP  DE
        LD   (HL),E
        INC  HL
        LD   (HL),D
        JP   NEXT

; ---- saying
        HEAD "say",SAYW
        POP  HL
        CALL SAYNUM
        LD   A,32
        CALL TXA
        JP   NEXT

        HEAD "put",PUTW
        POP  HL
        LD   A,L
        CALL TXA
        JP   NEXT

; HL, signed.
SAYNUM: PUSH BC
        BIT  7,H
        JR   Z,1f
        LD   A,'-'
        CALL TXA
        EX   DE,HL
        LD   HL,0
        OR   A
        SBC  HL,DE
1:      LD   IX,TENS
        LD   C,0                ; 1 once a digit is out
2:      LD   E,(IX+0)
        LD   D,(IX+1)
        LD   B,'0'
3:      OR   A
        SBC  HL,DE
        JR   C,4f
        INC  B
        JR   3b
4:      ADD  HL,DE
        LD   A,B
        SUB  '0'
        OR   C
        JR   Z,5f
        LD   C,1
        LD   A,B
        CALL TXA
5:      INC  IX
        INC  IX
        LD   A,E
        CP   10
        JR   NZ,2b              ; until ten has been taken
        LD   A,L
        ADD  A,'0'
        CALL TXA
        POP  BC
        RET
TENS:   .WORD 10000,1000,100,10

        HEAD "list",LISTW
        PUSH BC
        LD   HL,(LATEST)
1:      LD   A,H
        OR   L
        JR   Z,3f
        PUSH HL
        INC  HL
        INC  HL
        LD   A,(HL)
        AND  0x1F
        LD   B,A
2:      INC  HL
        LD   A,(HL)
        CALL TXA
        DJNZ 2b
        LD   A,32
        CALL TXA
        POP  HL
        LD   A,(HL)
        INC  HL
        LD   H,(HL)
        LD   L,A
        JR   1b
3:      POP  BC
        JP   NEXT

; ---- the way of the thread (compiled by brackets, no names)
UNLESS: POP  HL
        LD   A,H
        OR   L
        JR   Z,GO
PAST:   INC  BC
        INC  BC
        JP   NEXT
GO:     LD   A,(BC)
        LD   L,A
        INC  BC
        LD   A,(BC)
        LD   B,A
        LD   C,L
        JP   NEXT

TURNS:  POP  HL
        LD   A,H
        OR   L
        JR   Z,GO               ; no turn at all
        DEC  IY
        LD   (IY+0),H
        DEC  IY
        LD   (IY+0),L
        JR   PAST

AGAIN:  LD   L,(IY+0)
        LD   H,(IY+1)
        DEC  HL
        LD   (IY+0),L
        LD   (IY+1),H
        LD   A,H
        OR   L
        JR   NZ,GO
        INC  IY
        INC  IY
        JR   PAST

        HEAD "turn",TURNW       ; the turns still to go, this one too
        LD   L,(IY+0)
        LD   H,(IY+1)
        PUSH HL
        JP   NEXT

; ---- words that act while winding
        HEAD "turns[",TURNSW,NOW
        JP   TURNSB
        HEAD "if[",IFW,NOW
        JP   IFB
        HEAD "]",CLOSEW,NOW
        JP   CLOSE
        HEAD "make",MAKEW,NOW
        JP   MAKE
        HEAD "end",ENDW,NOW
        JP   ENDMK
        HEAD "box",BOXW,NOW
        JP   BOX

LASTROM = H_BOXW

EDIV:   .ASCIZ "divide by 1 to 32767"
