; From text to thread.

        .GLOBAL WIND,CELL,MAKE,ENDMK,TURNSB,IFB,CLOSE,BOX

        .SECTION .text,"ax"

; Compile the rest of the line.
WIND:   CALL TOKEN
        RET  Z
        CALL FIND
        JR   Z,NUMB
        BIT  7,C                ; words that act while winding
        JR   NZ,2f
        EX   DE,HL
        CALL CELL
        JR   WIND
2:      LD   DE,WIND
        PUSH DE
        JP   (HL)

NUMB:   CALL NUMBER
        JR   C,UNKNOWN
        PUSH HL
        LD   DE,LIT
        CALL CELL
        POP  DE
        CALL CELL
        JR   WIND

UNKNOWN: LD  HL,(WSTART)
        LD   A,(WLEN)
        LD   B,A
1:      LD   A,(HL)
        CALL TXA
        INC  HL
        DJNZ 1b
        LD   HL,EWHAT
        JP   FAIL

; Append DE to the thread.
CELL:   LD   HL,(CP)
        LD   (HL),E
        INC  HL
        LD   (HL),D
        INC  HL
        LD   (CP),HL
        RET

; Next word of the line: WSTART, WLEN.  Z when there is none.
TOKEN:  LD   HL,(INP)
1:      LD   A,(HL)
        OR   A
        RET  Z
        CP   32
        JR   NZ,2f
        INC  HL
        JR   1b
2:      LD   (WSTART),HL
        LD   B,0
3:      LD   A,(HL)
        OR   A
        JR   Z,4f
        CP   32
        JR   Z,4f
        INC  HL
        INC  B
        JR   3b
4:      LD   (INP),HL
        LD   A,B
        LD   (WLEN),A
        OR   A
        RET

; Look the word up.  Z: not there.  Else HL = its code, C = flags and length.
; A header: link, flags and length, name; the code follows.
FIND:   LD   HL,(LATEST)
1:      LD   A,H
        OR   L
        RET  Z
        PUSH HL
        INC  HL
        INC  HL
        LD   C,(HL)
        LD   A,C
        AND  0x1F
        LD   B,A
        LD   A,(WLEN)
        CP   B
        JR   NZ,3f
        INC  HL
        LD   DE,(WSTART)
2:      LD   A,(DE)
        CP   (HL)
        JR   NZ,3f
        INC  HL
        INC  DE
        DJNZ 2b
        POP  DE                 ; the header is not wanted; HL = code
        OR   1
        RET
3:      POP  HL
        LD   A,(HL)
        INC  HL
        LD   H,(HL)
        LD   L,A
        JR   1b

; The word as a decimal number in HL; carry: it is none.
NUMBER: LD   DE,(WSTART)
        LD   A,(WLEN)
        LD   B,A
        LD   HL,0
        LD   A,(DE)
        SUB  '-'
        LD   C,A                ; zero: negative
        JR   NZ,1f
        INC  DE
        DEC  B
        SCF
        RET  Z
1:      LD   A,(DE)
        SUB  '0'
        RET  C
        CP   10
        CCF
        RET  C
        PUSH DE
        ADD  HL,HL
        LD   D,H
        LD   E,L
        ADD  HL,HL
        ADD  HL,HL
        ADD  HL,DE
        LD   E,A
        LD   D,0
        ADD  HL,DE
        POP  DE
        INC  DE
        DJNZ 1b
        LD   A,C
        OR   A
        RET  NZ
        EX   DE,HL
        LD   HL,0
        SBC  HL,DE              ; carry was cleared by OR
        OR   A
        RET

; Make a header for the next word of the line at HERE; HL = where its code goes.
HEADER: CALL TOKEN
        LD   HL,ENAME
        JP   Z,FAIL
        LD   HL,(HERE)
        LD   DE,(LATEST)
        LD   (HL),E
        INC  HL
        LD   (HL),D
        INC  HL
        LD   A,(WLEN)
        AND  0x1F
        LD   (HL),A
        INC  HL
        LD   C,A
        LD   B,0
        LD   DE,(WSTART)
        EX   DE,HL
        LDIR
        EX   DE,HL
        RET

; make NAME ... end
MAKE:   LD   A,(MAKING)
        LD   HL,(NEST)
        OR   L
        LD   HL,EINSIDE
        JP   NZ,FAIL
        CALL HEADER
        LD   DE,(CP)
        LD   (LINECP),DE
        LD   (CP),HL
        LD   A,1
        LD   (MAKING),A
        LD   HL,(CP)
        LD   (HL),0xCD          ; CALL ENTER
        INC  HL
        LD   (CP),HL
        LD   DE,ENTER
        JP   CELL

ENDMK:  LD   A,(NEST)
        OR   A
        LD   HL,EOPENM
        JP   NZ,FAIL
        LD   A,(MAKING)
        OR   A
        LD   HL,ENOMK
        JP   Z,FAIL
        LD   DE,EXIT
        CALL CELL
        LD   DE,(HERE)          ; link it in
        LD   (LATEST),DE
        LD   (HERE),HL
        LD   HL,(LINECP)        ; the line's own thread goes on
        LD   (CP),HL
        XOR  A
        LD   (MAKING),A
        RET

; box NAME: a word that gives the address of a cell of its own, 0 at first.
BOX:    LD   A,(MAKING)
        OR   A
        LD   HL,EINSIDE
        JP   NZ,FAIL
        CALL HEADER
        LD   (HL),0xCD          ; CALL NEXT: pushes the cell's address, and that is all
        INC  HL
        LD   DE,NEXT
        LD   (HL),E
        INC  HL
        LD   (HL),D
        INC  HL
        LD   (HL),0
        INC  HL
        LD   (HL),0
        INC  HL
        LD   DE,(HERE)
        LD   (LATEST),DE
        LD   (HERE),HL
        RET

; Brackets.  The place of the forward cell waits on a small stack: kind (1 = turns), address.
TURNSB: LD   DE,TURNS
        LD   C,1
        JR   OPEN
IFB:    LD   DE,UNLESS
        LD   C,0
OPEN:   PUSH BC
        CALL CELL
        POP  BC
        LD   A,(NEST)
        CP   8
        LD   HL,EDEEP
        JP   NC,FAIL
        INC  A
        LD   (NEST),A
        CALL LEVEL
        LD   (HL),C             ; kind, then place
        INC  HL
        LD   DE,(CP)
        LD   (HL),E
        INC  HL
        LD   (HL),D
        JP   CELL               ; any value: patched by ]

CLOSE:  LD   A,(NEST)
        OR   A
        LD   HL,ESHUT
        JP   Z,FAIL
        CALL LEVEL
        LD   C,(HL)
        INC  HL
        LD   E,(HL)
        INC  HL
        LD   D,(HL)
        LD   HL,NEST
        DEC  (HL)
        PUSH DE                 ; the forward cell
        BIT  0,C
        JR   Z,1f
        PUSH DE
        LD   DE,AGAIN
        CALL CELL
        POP  DE
        INC  DE                 ; back to behind the forward cell
        INC  DE
        CALL CELL
1:      POP  HL
        LD   DE,(CP)
        LD   (HL),E
        INC  HL
        LD   (HL),D
        RET

; HL = entry A (1..8) of the bracket stack: three bytes each.
LEVEL:  LD   L,A
        LD   H,0
        LD   D,H
        LD   E,L
        ADD  HL,HL
        ADD  HL,DE
        LD   DE,BRACKS-3
        ADD  HL,DE
        RET

EWHAT:  .ASCIZ " is no word"
ENAME:  .ASCIZ "a name is missing"
EINSIDE: .ASCIZ "not in here"
EOPENM: .ASCIZ "end inside [ ]"
ENOMK:  .ASCIZ "nothing to end"
EDEEP:  .ASCIZ "too deep"
ESHUT:  .ASCIZ "no [ to close"

        .SECTION .bss
WSTART: .SKIP 2
WLEN:   .SKIP 1
LINECP: .SKIP 2
BRACKS: .SKIP 24
