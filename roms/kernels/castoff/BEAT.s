; ==========================================================
;  Heartbeat: a hundred interrupts a second, the lamp changes every 25
; ==========================================================
        .INCLUDE "CASTOFF.INC"
        .SECTION .text,"ax"
        .GLOBL BEAT_INIT, BEAT_STOP, BEATS_NOW

BEAT_INIT:
        LD A,25
        LD (TO_LAMP),A
        LD A,VECTORS >> 8
        LD I,A
        IM 2
        LD A,VECBASE
        OUT (CTC0),A            ; vector, for all four
        LD A,0xA7               ; interrupts, timer, /256, constant follows
        OUT (CTC0),A
        LD A,225                ; 5.76 MHz / 256 / 225 = 100
        OUT (CTC0),A
        RET

BEAT_STOP:
        LD A,0x03
        OUT (CTC0),A
        RET

; HL = beats since power-on
BEATS_NOW:
        DI
        LD HL,(BEATS)
        EI
        RET

BEAT:   PUSH AF
        PUSH HL
        LD HL,(BEATS)
        INC HL
        LD (BEATS),HL
        LD HL,TO_LAMP
        DEC (HL)
        JR NZ,BEAT1
        LD (HL),25
        LD HL,LAMP
        LD A,(HL)
        XOR 1
        LD (HL),A
        LD HL,PANEL_IMAGE
        OR (HL)
        OUT (PANEL),A
BEAT1:  POP HL
        POP AF
        EI
        RETI

; nobody else interrupts; if one does, let it pass
OTHER:  EI
        RETI

        .SECTION .vec,"a"
VECTORS:.WORD BEAT
        .WORD OTHER
        .WORD OTHER
        .WORD OTHER

        .SECTION .bss,"aw",@nobits
BEATS:  .SPACE 2
TO_LAMP:.SPACE 1
LAMP:   .SPACE 1
