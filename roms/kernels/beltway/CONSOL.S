;  ------------------------------------------------ CONSOLE, ACIA
;  TRANSMIT INTERRUPT IS ON ONLY WHILE THE RING HOLDS SOMETHING.

SERINT: IN      A,(ACIAC)
        RRCA
        JR      NC,1f
        IN      A,(ACIAD)
        AND     0x7F
        LD      (KEY),A         ; ONE KEY DEEP IS ENOUGH FOR A CLERK
        LD      HL,KEYS
        LD      A,(HL)
        OR      A
        CALL    Z,VSEMI
1:      IN      A,(ACIAC)
        AND     0x02
        RET     Z
        LD      A,(TXIN)        ; TDRE: ANYTHING TO SEND?
        LD      HL,TXOUT
        CP      (HL)
        JR      Z,2f
        LD      E,(HL)
        INC     (HL)
        RES     4,(HL)          ; MODULO 16
        LD      D,0
        LD      HL,TXBUF
        ADD     HL,DE
        LD      A,(HL)
        OUT     (ACIAD),A
        LD      HL,TXROOM
        JP      VSEMI
2:      LD      A,ACRX
        OUT     (ACIAC),A
        RET

;  PRINT A.  KEEPS ALL BUT A.
PUTC:   PUSH    HL
        PUSH    DE
        LD      D,A
        LD      HL,TXROOM
        RST     0x08
        DI
        LD      A,(TXIN)
        LD      E,A
        INC     A
        AND     TXLEN-1
        LD      (TXIN),A
        LD      A,D
        LD      D,0
        LD      HL,TXBUF
        ADD     HL,DE
        LD      (HL),A
        LD      A,ACRXTX
        OUT     (ACIAC),A
        EI
        POP     DE
        POP     HL
        RET

GETC:   LD      HL,KEYS
        RST     0x08
        LD      A,(KEY)
        RET

;  PRINT TEXT AT HL, BIT 7 ENDS IT
PUTS:   LD      A,(HL)
        AND     0x7F
        CALL    PUTC
        BIT     7,(HL)
        INC     HL
        JR      Z,PUTS
        RET

NEWLN:  LD      A,13
        CALL    PUTC
        LD      A,10
        JR      PUTC

PHEX4:  LD      A,H
        CALL    PHEX2
        LD      A,L
PHEX2:  PUSH    AF
        RRCA
        RRCA
        RRCA
        RRCA
        CALL    1f
        POP     AF
1:      AND     0x0F
        ADD     A,0x90
        DAA
        ADC     A,0x40
        DAA
        JR      PUTC

        .section .bss
TXIN:   DS      1
TXOUT:  DS      1
TXBUF:  DS      TXLEN
KEY:    DS      1
TXROOM: DS      2
KEYS:   DS      2
LINE:   DS      2
        .text
