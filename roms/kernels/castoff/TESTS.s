; ==========================================================
;  The short tests. Carry set: failed.
; ==========================================================
        .INCLUDE "CASTOFF.INC"
        .SECTION .text,"ax"
        .GLOBL T_FLAGS, T_DECIMAL, T_BLOCK, T_RAM, T_CLOCK, T_INDEX, ROM_SUM

; ---- flags: zero, sign, carry, overflow ------------------
T_FLAGS:
        XOR A
        JR NZ,BAD
        JP M,BAD
        JR C,BAD
        JP PO,BAD
        LD A,0x7F
        INC A
        JP PO,BAD               ; 7F+1 overflows
        JP P,BAD
        LD A,0xFF
        ADD A,1
        JR NC,BAD
        JR NZ,BAD
        SBC A,A                 ; carry spread over A
        INC A
        JR NZ,BAD
        SCF
        CCF
        JR C,BAD
GOOD:   OR A
        RET
BAD:    SCF
        RET

; ---- decimal: count 00..99 by DAA, a hundred steps --------
T_DECIMAL:
        LD B,100
        XOR A
DEC1:   ADD A,1
        DAA
        DJNZ DEC1
        JR NC,BAD               ; 99 -> 00 with carry, at the last step
        OR A
        JR NZ,BAD
        LD A,0x42
        SUB 0x17
        DAA
        CP 0x25
        JR NZ,BAD
        JR GOOD

; ---- block moves: up, down, search ------------------------
T_BLOCK:
        LD HL,CHART
        LD DE,COPY
        LD BC,CHART_LEN
        LDIR
        LD HL,COPY+CHART_LEN-1  ; shift by two places, from the top
        LD DE,COPY+CHART_LEN+1
        LD BC,CHART_LEN
        LDDR
        LD HL,COPY
        LD A,'r'
        LD BC,CHART_LEN+2
        CPIR
        JR NZ,BAD
        LD DE,COPY+5            ; "tide race": first r at 5 + 2 moved, one behind it
        INC DE
        INC DE
        INC DE
        OR A
        SBC HL,DE
        JR NZ,BAD
        JR GOOD
CHART:  .ASCII "tide race off the mole"
        .EQU CHART_LEN, . - CHART

; ---- RAM: the field, a bit wandering with the address -----
T_RAM:  LD HL,FIELD
        LD BC,FIELD_LEN
        LD D,1
RAM1:   LD (HL),D
        RLC D
        INC HL
        DEC BC
        LD A,B
        OR C
        JR NZ,RAM1
        LD HL,FIELD
        LD BC,FIELD_LEN
        LD D,1
RAM2:   LD A,(HL)
        CP D
        JP NZ,BAD
        CPL
        LD (HL),A
        CP (HL)
        JP NZ,BAD
        RLC D
        INC HL
        DEC BC
        LD A,B
        OR C
        JR NZ,RAM2
        JP GOOD

; ---- heartbeat: twenty beats must come ---------------------
T_CLOCK:
        CALL BEATS_NOW
        LD DE,20
        ADD HL,DE
        EX DE,HL                ; DE = where we want to be
        LD BC,0                 ; and some half second of patience
CLK1:   CALL BEATS_NOW
        OR A
        SBC HL,DE
        JP P,GOOD
        DEC BC
        LD A,B
        OR C
        JR NZ,CLK1
        JP BAD

; ---- index registers ---------------------------------------
T_INDEX:
        LD IX,COPY+64
        LD (IX-64),0x11
        LD (IX+63),0x88
        LD A,(COPY)
        CP 0x11
        JP NZ,BAD
        LD IY,COPY+100
        LD A,(IY+27)
        CP 0x88
        JP NZ,BAD
        LD (COPY+2),IX
        LD HL,(COPY+2)
        LD DE,COPY+64
        OR A
        SBC HL,DE
        JP NZ,BAD
        JP GOOD

; ---- sum of the EPROM, as used ------------------------------
ROM_SUM:
        LD DE,0
        LD HL,0
        LD BC,ROM_END
SUM1:   LD A,(DE)
        INC DE
        ADD A,L
        LD L,A
        LD A,0
        ADC A,H
        LD H,A
        DEC BC
        LD A,B
        OR C
        JR NZ,SUM1
        RET

        .SECTION .bss,"aw",@nobits
COPY:   .SPACE 128
