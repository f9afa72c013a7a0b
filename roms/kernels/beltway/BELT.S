;  BELTWAY   PARCEL DEPOT, TWO LOADERS, ONE CHECKER
;  ALL SEMAPHORES, NO QUEUES.  IM 1.
;
;  TASK NUMBER = PRIORITY, 0 FIRST.  ONE BIT EACH IN READY AND IN
;  THE SECOND BYTE OF A SEMAPHORE (FIRST BYTE = COUNT).
;
;  WINDOW 5 (A000) BELONGS TO WHOEVER RUNS.  ITS PAGE IS PART OF
;  THE TASK, SO IT SITS ON THE STACK WITH THE REGISTERS.

PG      EQU     0xC0            ; PAGE REGISTERS C0-C7
PG5     EQU     0xC5
PGON    EQU     0xC8
ACIAC   EQU     0x9C
ACIAD   EQU     0x9D
UART    EQU     0x48            ; 16550, NO PLUG IN IT
UARTI   EQU     UART+1
UARTF   EQU     UART+2
UARTL   EQU     UART+3
UARTM   EQU     UART+4

ACINIT  EQU     0x03
ACRX    EQU     0x89            ; /16 7E1, RX INT
ACRXTX  EQU     0xA9            ; SAME, TX INT TOO

NSLOT   EQU     6               ; PARCELS ON THE BELT
TXLEN   EQU     16
NTASK   EQU     6
IDLE    EQU     7               ; IDLE IS TASK 7, LAST BIT

        .section .page0,"ax"
        .global RESET
RESET:  DI
        IM      1
        JP      START
        .org    0x08
        JP      PSEM            ; RST 08   P(HL)
        .org    0x10
        JP      VSEM            ; RST 10   V(HL)
        .org    0x38
        JP      INT1
        .org    0x66
        RETN

        .text
;  ------------------------------------------------ COLD START
START:  LD      HL,PGTAB        ; ALL EIGHT WINDOWS, THEN SWITCH ON
        LD      BC,8*256+PG
1:      LD      A,(HL)
        OUT     (C),A
        INC     HL
        INC     C
        DJNZ    1b
        LD      A,1
        OUT     (PGON),A
        LD      SP,BOOTSP

        LD      HL,RAMBEG       ; CLEAR, THEN SET WHAT IS NOT ZERO
        LD      DE,RAMBEG+1
        LD      BC,RAMLEN-1
        LD      (HL),0
        LDIR
        LD      A,NSLOT
        LD      (SLOTS),A
        LD      A,TXLEN-1       ; IN = OUT MEANS EMPTY, SO NEVER FULL
        LD      (TXROOM),A
        LD      A,1
        LD      (BELT),A
        LD      (LINE),A

        LD      A,ACINIT
        OUT     (ACIAC),A
        LD      A,ACRX
        OUT     (ACIAC),A

        LD      IX,TSKTAB
        LD      B,NTASK+1
2:      CALL    MAKE
        DJNZ    2b
        LD      A,0xBF
        LD      (READY),A       ; 0-5 AND IDLE

;  METRONOME: THE UART TALKS TO ITSELF.  2.4576 MHZ/16/96 = 1600 BAUD,
;  TEN BITS A BYTE = 160 TICKS A SECOND.
        LD      A,0x80
        OUT     (UARTL),A
        LD      A,96
        OUT     (UART),A
        XOR     A
        OUT     (UARTI),A
        LD      A,0x03          ; 8N1, DLAB OFF
        OUT     (UARTL),A
        XOR     A
        OUT     (UARTF),A       ; NO FIFO
        LD      A,0x10          ; LOOP
        OUT     (UARTM),A
        LD      A,0x01          ; INTERRUPT WHEN THE BYTE IS BACK
        OUT     (UARTI),A
        LD      A,0x55
        OUT     (UART),A        ; FIRST ONE
        JP      CHOOSE

;  ONE ROW OF TSKTAB: NUMBER, PAGE, ENTRY, STACK TOP
MAKE:   LD      L,(IX+4)
        LD      H,(IX+5)
        DEC     HL
        LD      A,(IX+3)
        LD      (HL),A
        DEC     HL
        LD      A,(IX+2)
        LD      (HL),A
        LD      DE,-13          ; SIX PAIRS, THEN A OF THE PAGE PAIR
        ADD     HL,DE
        LD      A,(IX+1)
        LD      (HL),A
        DEC     HL
        EX      DE,HL
        LD      L,(IX+0)
        LD      H,0
        ADD     HL,HL
        PUSH    DE
        LD      DE,SPTAB
        ADD     HL,DE
        POP     DE
        LD      (HL),E
        INC     HL
        LD      (HL),D
        LD      DE,6
        ADD     IX,DE
        RET

;  ------------------------------------------------ INTERRUPT
INT1:   PUSH    HL
        PUSH    DE
        PUSH    BC
        PUSH    AF
        PUSH    IX
        PUSH    IY
        LD      A,(PAGE5)
        PUSH    AF
        IN      A,(ACIAC)
        RLCA
        CALL    C,SERINT
        IN      A,(UARTF)
        AND     0x0F
        CP      0x04
        CALL    Z,TICK
SWTCH:  LD      A,(CUR)
        CALL    SPADR
        EX      DE,HL
        LD      HL,0
        ADD     HL,SP
        EX      DE,HL
        LD      (HL),E
        INC     HL
        LD      (HL),D
CHOOSE: LD      A,(READY)
        LD      B,0xFF
1:      INC     B
        RRCA
        JR      NC,1b
        LD      A,B
        LD      (CUR),A
        CALL    SPADR
        LD      E,(HL)
        INC     HL
        LD      D,(HL)
        EX      DE,HL
        LD      SP,HL
        LD      A,1
2:      DEC     B               ; CURBIT = 1 SHL CUR
        JP      M,3f
        RLCA
        JR      2b
3:      LD      (CURBIT),A
        POP     AF
        LD      (PAGE5),A
        OUT     (PG5),A
        POP     IY
        POP     IX
        POP     AF
        POP     BC
        POP     DE
        POP     HL
        EI
        RET

GIVEUP: PUSH    HL              ; INTERRUPTS ARE OFF HERE
        PUSH    DE
        PUSH    BC
        PUSH    AF
        PUSH    IX
        PUSH    IY
        LD      A,(PAGE5)
        PUSH    AF
        JR      SWTCH

SPADR:  ADD     A,A             ; HL = PLACE OF SP OF TASK A
        LD      E,A
        LD      D,0
        LD      HL,SPTAB
        ADD     HL,DE
        RET

TICK:   IN      A,(UART)        ; TAKE IT, SEND IT ROUND AGAIN
        OUT     (UART),A
        LD      HL,(TICKS)
        INC     HL
        LD      (TICKS),HL
        LD      HL,DELAY
        LD      BC,8*256+1
1:      LD      A,(HL)
        OR      A
        JR      Z,2f
        DEC     (HL)
        JR      NZ,2f
        LD      A,(READY)
        OR      C
        LD      (READY),A
2:      RLC     C
        INC     HL
        DJNZ    1b
        RET

;  ------------------------------------------------ SEMAPHORES
;  HL = SEMAPHORE, KEPT.  SPOILS A.
PSEM:   DI
        LD      A,(HL)
        OR      A
        JR      Z,1f
        DEC     (HL)
        EI
        RET
1:      LD      A,(CURBIT)
        INC     HL
        OR      (HL)
        LD      (HL),A
        DEC     HL
        CALL    UNRDY
        JR      GIVEUP

UNRDY:  PUSH    HL
        LD      HL,READY
        LD      A,(CURBIT)
        CPL
        AND     (HL)
        LD      (HL),A
        POP     HL
        RET

VSEM:   DI
        CALL    VSEMI
        JR      GIVEUP

;  V FOR INTERRUPTS: NO SWITCH.  IF SOMEONE WAITS HE GETS IT DIRECTLY.
VSEMI:  INC     HL
        LD      A,(HL)
        OR      A
        JR      Z,1f
        PUSH    BC
        LD      B,A
        NEG
        AND     B               ; LOWEST BIT = FIRST IN RANK
        LD      B,A
        XOR     (HL)
        LD      (HL),A
        LD      A,(READY)
        OR      B
        LD      (READY),A
        POP     BC
        DEC     HL
        RET
1:      DEC     HL
        INC     (HL)
        RET

;  SLEEP A TICKS
SLEEP:  DI
        PUSH    HL
        PUSH    DE
        LD      D,0
        LD      HL,CUR
        LD      E,(HL)
        LD      HL,DELAY
        ADD     HL,DE
        LD      (HL),A
        POP     DE
        POP     HL
        CALL    UNRDY
        JP      GIVEUP

        .include "CONSOL.S"
        .include "DEPOT.S"

;  ------------------------------------------------ TABLES
PGTAB:  DB      0x00,0x01,0x30,0x31,0x32,0x33,0x3E,0x3F

TSKTAB: DB      0,0x33
        DW      CLERK,STK0
        DB      1,0x34
        DW      LOADA,STK1
        DB      2,0x35
        DW      LOADB,STK2
        DB      3,0x36
        DW      CHECK,STK3
        DB      4,0x37
        DW      LEDGER,STK4
        DB      5,0x33
        DW      CLOCK,STK5
        DB      7,0x33
        DW      REST,STK7

        .section .bss
READY:  DS      1
CUR:    DS      1
CURBIT: DS      1
PAGE5:  DS      1
TICKS:  DS      2
DELAY:  DS      8
SPTAB:  DS      16
        DS      32
BOOTSP:
        DS      96
STK0:   DS      96
STK1:   DS      96
STK2:   DS      96
STK3:   DS      96
STK4:   DS      96
STK5:   DS      64
STK7:
