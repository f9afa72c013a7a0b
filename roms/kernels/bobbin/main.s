; BOBBIN - winds threads of addresses and runs them.
;
;   SP = numbers      IY = threads to go back to      BC = where the thread is now
;
; One cell of a thread is the address of machine code.  A made word starts with CALL ENTER.

UART    .EQU 0xE0
DAT     .EQU UART+0
FCR     .EQU UART+2
LCR     .EQU UART+3
MCR     .EQU UART+4
LSR     .EQU UART+5

DIVISOR .EQU 4                  ; 1.2288 MHz / 16 / 4 = 19200

        .GLOBAL RESET,NEXT,ENTER,EXIT,STOP,LIT,TXA,TXS,CRLF,FAIL,GETLN
        .GLOBAL INP,HERE,LATEST,MAKING,LINE,TS0,SP0

        .SECTION .start,"ax"
RESET:  DI
        LD   SP,SP0
        JP   INIT

        .SECTION .text,"ax"
INIT:   LD   A,0x83             ; divisor latch on
        OUT  (LCR),A
        LD   A,DIVISOR
        OUT  (DAT),A
        XOR  A
        OUT  (UART+1),A
        LD   A,0x03             ; 8N1, latch off
        OUT  (LCR),A
        XOR  A
        OUT  (UART+1),A         ; no interrupts
        LD   A,0x07             ; FIFOs on and empty
        OUT  (FCR),A
        LD   A,0x03             ; DTR RTS
        OUT  (MCR),A

        LD   HL,LASTROM
        LD   (LATEST),HL
        LD   HL,DICT
        LD   (HERE),HL
        LD   HL,HELLO
        CALL TXS

; After a mistake: forget what was half made, empty both stacks.
QUIT:   LD   SP,SP0
        LD   IY,TS0
        XOR  A
        LD   (MAKING),A
        LD   (NEST),A

; One line: compile it to a thread, then run the thread.
LINE:   LD   A,(MAKING)
        OR   A
        LD   HL,PMAKE
        JR   NZ,1f
        LD   HL,SCRATCH
        LD   (CP),HL
        LD   HL,PROMPT
1:      CALL TXS
        CALL GETLN
        LD   HL,LBUF
        LD   (INP),HL
        CALL WIND
        LD   A,(MAKING)
        OR   A
        JR   NZ,LINE
        LD   A,(NEST)
        OR   A
        LD   HL,EOPEN
        JP   NZ,FAIL
        LD   DE,STOP
        CALL CELL
        LD   BC,SCRATCH
        JR   NEXT

; ---- the inner loop
ENTER:  POP  HL                 ; body of the made word
        DEC  IY
        LD   (IY+0),B
        DEC  IY
        LD   (IY+0),C
        LD   B,H
        LD   C,L
NEXT:   LD   A,(BC)
        LD   L,A
        INC  BC
        LD   A,(BC)
        LD   H,A
        INC  BC
        JP   (HL)

EXIT:   LD   C,(IY+0)
        INC  IY
        LD   B,(IY+0)
        INC  IY
        JR   NEXT

LIT:    LD   A,(BC)
        LD   L,A
        INC  BC
        LD   A,(BC)
        LD   H,A
        INC  BC
        PUSH HL
        JR   NEXT

STOP:   LD   HL,0               ; end of the line's thread
        ADD  HL,SP
        EX   DE,HL
        LD   HL,SP0
        OR   A
        SBC  HL,DE              ; carry: more was taken than given
        LD   HL,EFEW
        JR   C,FAIL
        CALL CRLF
        JP   LINE

; Say HL and give up the line.
FAIL:   CALL TXS
        CALL CRLF
        JP   QUIT

; ---- serial line, polled
TXA:    PUSH AF
1:      IN   A,(LSR)
        AND  0x20               ; holding register empty
        JR   Z,1b
        POP  AF
        OUT  (DAT),A
        RET

RXA:    IN   A,(LSR)
        RRCA                    ; data ready
        JR   NC,RXA
        IN   A,(DAT)
        AND  0x7F
        RET

TXS:    LD   A,(HL)
        INC  HL
        OR   A
        RET  Z
        CALL TXA
        JR   TXS

CRLF:   LD   A,13
        CALL TXA
        LD   A,10
        JR   TXA

; Read a line to LBUF, end it with a zero.
GETLN:  LD   HL,LBUF
        LD   B,0
1:      CALL RXA
        CP   13
        JR   Z,3f
        CP   8
        JR   Z,2f
        CP   32
        JR   C,1b
        LD   C,A
        LD   A,B
        CP   LSIZE-1
        JR   NC,1b              ; full: not echoed, not kept
        LD   A,C
        LD   (HL),A
        INC  HL
        INC  B
        CALL TXA
        JR   1b
2:      LD   A,B
        OR   A
        JR   Z,1b
        DEC  B
        DEC  HL
        PUSH HL
        LD   HL,RUB
        CALL TXS
        POP  HL
        JR   1b
3:      LD   (HL),0
        LD   A,32
        JP   TXA

HELLO:  .ASCIZ "\r\nBOBBIN, 24K of yarn\r\n"
PROMPT: .ASCIZ "bob> "
PMAKE:  .ASCIZ "\r\n...> "
RUB:    .ASCIZ "\b \b"
EOPEN:  .ASCIZ "a [ stays open"
EFEW:   .ASCIZ "too few numbers"

        .SECTION .bss
LSIZE   .EQU 100
LBUF:   .SKIP LSIZE
INP:    .SKIP 2                 ; next character of the line
CP:     .SKIP 2                 ; where the next cell goes
HERE:   .SKIP 2                 ; end of the made words
LATEST: .SKIP 2                 ; the youngest word's header
MAKING: .SKIP 1                 ; 1 between make and end
NEST:   .SKIP 1                 ; open brackets
        .SKIP 128
TS0:                            ; threads grow down from here
        .SKIP 256
SP0:    .SKIP 16                ; above: room for words that take what is not there
        .GLOBAL CP,NEST
SCRATCH: .SKIP 256              ; the thread of one line: 100 characters are at most 200 bytes
DICT:
