;  ------------------------------------------------ THE DEPOT
;  A LOADER WRITES THE WEIGHTS OF ITS 24 PARCELS INTO ITS OWN PAGE,
;  THEN PUTS THEM ON THE BELT, FOUR AT A TIME.

YARD    EQU     0xA000
NPARC   EQU     24

LOADA:  LD      C,7
        JR      LOAD
LOADB:  LD      C,11
LOAD:   LD      HL,YARD
        LD      B,NPARC
        LD      A,C
1:      LD      (HL),A
        ADD     A,C
        INC     HL
        DJNZ    1b
        LD      IX,YARD
        LD      B,6
2:      LD      C,4
3:      LD      HL,SLOTS
        RST     0x08
        LD      HL,BELT
        RST     0x08
        LD      HL,PUTAT
        CALL    PLACE
        LD      A,(IX+0)
        LD      (DE),A
        INC     IX
        LD      HL,NIN
        INC     (HL)
        LD      HL,BELT
        RST     0x10
        LD      HL,PARCLS
        RST     0x10
        DEC     C
        JR      NZ,3b
        LD      A,2
        CALL    SLEEP
        DJNZ    2b
        JR      OVER

;  DE = SLOT FOR THE INDEX AT HL, WHICH STEPS ON
PLACE:  LD      A,(HL)
        LD      E,A
        INC     A
        CP      NSLOT
        JR      C,1f
        XOR     A
1:      LD      (HL),A
        LD      D,0
        LD      HL,SLOT
        ADD     HL,DE
        EX      DE,HL
        RET

;  CHECKER: NOTES EVERY WEIGHT IN ITS PAGE, A LINE AFTER EVERY EIGHT
CHECK:  LD      IX,YARD
        LD      B,6
1:      LD      C,8
2:      LD      HL,PARCLS
        RST     0x08
        LD      HL,BELT
        RST     0x08
        LD      HL,TAKEAT
        CALL    PLACE
        LD      A,(DE)
        LD      (IX+0),A
        INC     IX
        LD      HL,NOUT
        INC     (HL)
        LD      HL,BELT
        RST     0x10
        LD      HL,SLOTS
        RST     0x10
        DEC     C
        JR      NZ,2b
        CALL    WEIGH
        EX      DE,HL
        LD      HL,LINE
        RST     0x08
        LD      HL,MLOAD
        CALL    PUTS
        EX      DE,HL
        CALL    PHEX4
        CALL    NEWLN
        LD      HL,LINE
        RST     0x10
        DJNZ    1b
        CALL    WEIGH
        LD      (WEIGHT),HL
OVER:   LD      HL,NEVER        ; A SEMAPHORE NOBODY RAISES
        RST     0x08
        JR      OVER

;  HL = SUM OF ALL NOTED BELOW IX, FROM THE LAST BACK TO A000.  KEEPS BC.
WEIGH:  PUSH    BC
        PUSH    IX
        POP     BC
        LD      HL,0
        LD      D,0
1:      DEC     BC
        LD      A,(BC)
        LD      E,A
        ADD     HL,DE
        LD      A,C
        OR      A
        JR      NZ,1b
        POP     BC
        RET

;  LEDGER: LOWEST RANK, NEVER WAITS WHILE AT WORK.  FILLS ITS PAGE AND READS
;  IT BACK, SIXTEEN TIMES.
LEDGER: LD      C,16
1:      LD      HL,YARD
2:      LD      A,L
        XOR     H
        ADD     A,C
        LD      (HL),A
        INC     HL
        LD      A,H
        CP      0xA8
        JR      NZ,2b
        LD      HL,YARD
3:      LD      A,L
        XOR     H
        ADD     A,C
        CP      (HL)
        JR      NZ,4f
        INC     HL
        LD      A,H
        CP      0xA8
        JR      NZ,3b
        DEC     C
        JR      NZ,1b
        LD      DE,MGOOD
        JR      5f
4:      LD      DE,MBAD
5:      LD      HL,LINE
        RST     0x08
        EX      DE,HL
        CALL    PUTS
        CALL    NEWLN
        LD      HL,LINE
        RST     0x10
        JR      OVER

;  CLOCK: COUNTS TENTHS
CLOCK:  LD      A,16
        CALL    SLEEP
        LD      HL,TENTHS
        INC     (HL)
        JR      CLOCK

;  CLERK: B BELT, W WEIGHT, T TENTHS
CLERK:  LD      HL,LINE
        RST     0x08
        LD      HL,MPRMPT
        CALL    PUTS
        LD      HL,LINE
        RST     0x10
        LD      D,0
1:      CALL    GETC
        CP      13
        JR      Z,2f
        LD      D,A
        CALL    PUTC
        JR      1b
2:      LD      HL,LINE
        RST     0x08
        CALL    NEWLN
        LD      A,D
        CP      'b'
        JR      Z,BCMD
        CP      'w'
        JR      Z,WCMD
        CP      't'
        JR      Z,TCMD
        LD      HL,MHELP
        CALL    PUTS
3:      CALL    NEWLN
        LD      HL,LINE
        RST     0x10
        JR      CLERK

BCMD:   LD      HL,MIN
        CALL    PUTS
        LD      A,(NIN)
        CALL    PHEX2
        LD      HL,MOUT
        CALL    PUTS
        LD      A,(NOUT)
        CALL    PHEX2
        LD      HL,MWGHT
        CALL    PUTS
WCMD:   LD      HL,(WEIGHT)
        CALL    PHEX4
        JR      3b
TCMD:   LD      A,(TENTHS)
        CALL    PHEX2
        JR      3b

REST:   HALT
        JR      REST

MPRMPT:   .ascii  "depot"
        DB      '>'+0x80
MHELP:  .ascii  "b w t"
        DB      '?'+0x80
MIN:    .ascii  "on the belt"
        DB      ' '+0x80
MOUT:   .ascii  ", taken off"
        DB      ' '+0x80
MWGHT:  .ascii  ", weight"
        DB      ' '+0x80
MLOAD:  .ascii  "load"
        DB      ' '+0x80
MGOOD:  .ascii  "ledger goo"
        DB      'd'+0x80
MBAD:   .ascii  "ledger WRON"
        DB      'G'+0x80

        .section .bss
SLOTS:  DS      2
PARCLS: DS      2
BELT:   DS      2
NEVER:  DS      2
PUTAT:  DS      1
TAKEAT: DS      1
SLOT:   DS      NSLOT
NIN:    DS      1
NOUT:   DS      1
WEIGHT: DS      2
TENTHS: DS      1
        .text
