;=============================================================================
; Ribbon - reads a run-length coded tape at one side of a PIO and punches it,
; expanded and in groups of three, at the other.
;
;   Reader -> Expander -> Grouper -> main (punch)        and Keys, on the side
;
; Each arrow is a coroutine: Co_Next asks it for one byte, Co_Give hands it over.
; ROM 0000-0FFF, RAM 8000-8FFF.  PIO interrupts in mode 2, console polled.
;=============================================================================
        .include "Ports.inc"
        .global Reset

        .section .reset,"ax"
Reset:  jp      Start

        .text
;----------------------------------------------------------------- coroutines
; A record: own stack pointer, the asker's stack pointer, the asker's record.
.equ    C_Sp,   0
.equ    C_Back, 2
.equ    C_Prev, 4
.equ    C_Size, 6

.macro  PushAll
        push    bc
        push    de
        push    hl
        push    iy
        push    ix
.endm
.macro  PopAll
        pop     ix
        pop     iy
        pop     hl
        pop     de
        pop     bc
.endm
.macro  Begin   Record, Entry, Top
        ld      ix,\Record
        ld      de,\Entry
        ld      hl,\Top
        call    Co_Begin
.endm
.macro  Ask     Record
        ld      ix,\Record
        call    Co_Next
.endm

; IX = record, DE = entry, HL = top of its stack
Co_Begin:
        dec     hl
        ld      (hl),d
        dec     hl
        ld      (hl),e
        ld      de,-10                  ; what PopAll takes
        add     hl,de
        ld      (ix+C_Sp),l
        ld      (ix+C_Sp+1),h
        ret

; A = next byte of coroutine IX.  All registers kept but A, F, IX.
Co_Next:
        PushAll
        ld      hl,(Running)
        ld      (ix+C_Prev),l
        ld      (ix+C_Prev+1),h
        ld      (Running),ix
        ld      hl,0
        add     hl,sp
        ld      (ix+C_Back),l
        ld      (ix+C_Back+1),h
        ld      l,(ix+C_Sp)
        ld      h,(ix+C_Sp+1)
        ld      sp,hl
        PopAll
        ret

; Hand A to whoever asked.  Comes back when asked again, all registers kept but A, F.
Co_Give:
        PushAll
        ld      ix,(Running)
        ld      hl,0
        add     hl,sp
        ld      (ix+C_Sp),l
        ld      (ix+C_Sp+1),h
        ld      l,(ix+C_Prev)
        ld      h,(ix+C_Prev+1)
        ld      (Running),hl
        ld      l,(ix+C_Back)
        ld      h,(ix+C_Back+1)
        ld      sp,hl
        PopAll
        ret

; Whoever waits lets the keyboard have a look in.
Pause:  push    ix
        Ask     KeysCo
        pop     ix
        ret

;------------------------------------------------------------------- start up
Start:  di
        ld      sp,MainTop
        ld      hl,0x8000
1:      ld      (hl),0                  ; all RAM, vectors and stacks too
        inc     hl
        ld      a,h
        cp      0x90
        jr      nz,1b

        ld      hl,Uart_Init
        call    Send_List
        Begin   ReaderCo, Reader, ReaderTop
        Begin   ExpandCo, Expander, ExpandTop
        Begin   GroupCo, Grouper, GroupTop
        Begin   KeysCo, Keys, KeysTop

        ld      hl,On_Punched           ; vector table is RAM
        ld      (Vec_A),hl
        ld      hl,On_Tape
        ld      (Vec_B),hl
        im      2
        ld      a,Vec_Page
        ld      i,a
        ld      a,1
        ld      (PunchFree),a
        ld      hl,Pio_Init
        call    Send_List
        ei
        in      a,(PioDataB)            ; an idle read opens the gate: BRDY rises

        ld      hl,T_Hello
        call    Print
;----------------------------------------------------------------------- main
Main:   Ask     GroupCo
        or      a
        jr      z,Done
        ld      c,a
        call    Punch
        ld      a,c
        call    PutC
        jr      Main

Done:   ld      hl,T_Done
        call    Print
        jr      Prompt
Report: ld      hl,T_Count
        call    Print
        ld      a,(Punched)
        call    Hex
        ld      hl,T_Sum
        call    Print
        ld      a,(Sum+1)
        call    Hex
        ld      a,(Sum)
        call    Hex
        call    NewLine
Prompt: ld      a,':'
        call    PutC
1:      call    Pause
        ld      a,(Key)
        or      a
        jr      z,1b
        ld      c,a
        xor     a
        ld      (Key),a
        ld      a,c
        call    PutC
        call    NewLine
        ld      a,c
        cp      'r'
        jr      z,Report
        ld      hl,T_Help
        call    Print
        jr      Prompt

; One byte, C, to the punch as soon as it is free.
Punch:  call    Pause
        ld      hl,PunchFree
        ld      a,(hl)
        or      a
        jr      z,Punch
        ld      (hl),0
        ld      a,c
        out     (PioDataA),a
        ld      hl,Punched
        inc     (hl)
        ld      hl,(Sum)
        ld      b,0
        add     hl,bc
        ld      (Sum),hl
        ret

; HL -> pairs port, byte; ends with port 0
Send_List:
        ld      c,(hl)
        inc     c
        dec     c
        ret     z
        inc     hl
        ld      a,(hl)
        inc     hl
        out     (c),a
        jr      Send_List

Uart_Init:
        .byte   UartLine, 0x83          ; divisor open, 8N1
        .byte   UartData, 20            ; 3.072 MHz / 16 / 20 = 9600
        .byte   UartEnable, 0
        .byte   UartLine, 0x03
        .byte   UartEnable, 0           ; polled
        .byte   UartFifo, 0x07
        .byte   0
Pio_Init:
        .byte   PioCtrlA, 0x0F          ; A: output with handshake
        .byte   PioCtrlA, Vec_A & 0xFF
        .byte   PioCtrlA, 0x83          ; interrupts on
        .byte   PioCtrlB, 0x4F          ; B: input with handshake
        .byte   PioCtrlB, Vec_B & 0xFF
        .byte   PioCtrlB, 0x83
        .byte   0

        .section .bss
        .global Running, Key, Punched, PunchFree
Running:   .space 2
ReaderCo:  .space C_Size
ExpandCo:  .space C_Size
GroupCo:   .space C_Size
KeysCo:    .space C_Size
PunchFree: .space 1
Punched:   .space 1
Sum:       .space 2
           .global ReaderCo, ExpandCo, GroupCo, KeysCo
           .global Co_Next, Co_Give, Pause
