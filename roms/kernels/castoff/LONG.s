; ==========================================================
;  The long sum: fill the field with a shift register's noise,
;  then five rounds of CRC over it, bit by bit. It takes seconds, and
;  says nothing; the lamp must beat on.
; ==========================================================
        .SECTION .text,"ax"
        .GLOBL T_LONG

        .EQU ROUNDS, 5
        .EQU WANTED, 0x1118     ; worked out beforehand on another machine

T_LONG: LD HL,FIELD
        LD BC,FIELD_LEN
        LD DE,0x1D0C            ; where the noise begins
FILL:   SRL D
        RR E
        JR NC,FILL1
        LD A,D
        XOR 0xB4
        LD D,A
FILL1:  LD (HL),E
        INC HL
        DEC BC
        LD A,B
        OR C
        JR NZ,FILL

        LD HL,0xFFFF
        LD (CRC),HL
        LD B,ROUNDS
ROUND:  PUSH BC
        CALL OVER
        POP BC
        DJNZ ROUND

        LD HL,(CRC)
        LD DE,WANTED
        OR A
        SBC HL,DE
        RET Z                   ; Z has NC
        SCF
        RET

; once over the field; CRC (x16+x12+x5+1) in HL, field in IX
OVER:   LD IX,FIELD
        LD DE,FIELD_LEN
        LD HL,(CRC)
OVER1:  LD A,(IX+0)
        XOR H
        LD H,A
        LD B,8
OVER2:  ADD HL,HL
        JR NC,OVER3
        LD A,H
        XOR 0x10
        LD H,A
        LD A,L
        XOR 0x21
        LD L,A
OVER3:  DJNZ OVER2
        INC IX
        DEC DE
        LD A,D
        OR E
        JR NZ,OVER1
        LD (CRC),HL
        RET
