; Three uses of an 82C54: counter 0 ticks a hundred times a second and interrupts by a flip-flop,
; counter 1 counts the ticks in hardware, counter 2 times a piece of code as a stopwatch in mode 0.
; The program waits for fifty ticks, reads both counters back in one command, and says what it found.
        .equ COUNTER_0,0xA8
        .equ COUNTER_1,0xA9
        .equ COUNTER_2,0xAA
        .equ CONTROL,0xAB
        .equ ACKNOWLEDGE,0xAC
        .equ SQUARE_0,0x36              ; counter 0, both bytes, mode 3
        .equ DOWN_1,0x70                ; counter 1, both bytes, mode 0
        .equ DOWN_2,0xB0                ; counter 2, both bytes, mode 0
        .equ READ_BACK_1_2,0xDC         ; counts of counters 1 and 2
        .equ TICK,6144                  ; of 614.4 kHz: 100 Hz
        .text
start:  di
        ld sp,0
        jp main
        .org 0x38
tick:   push af
        out (ACKNOWLEDGE),a
        ld a,(ticks)
        inc a
        ld (ticks),a
        pop af
        ei
        reti
main:   call talk_on
        xor a
        ld (ticks),a
        ld a,DOWN_1                     ; 1000 ticks of counter 0 from the top
        out (CONTROL),a
        ld a,1000 & 0xFF
        out (COUNTER_1),a
        ld a,1000 >> 8
        out (COUNTER_1),a
        ld a,SQUARE_0
        out (CONTROL),a
        ld a,TICK & 0xFF
        out (COUNTER_0),a
        ld a,TICK >> 8
        out (COUNTER_0),a
        out (ACKNOWLEDGE),a             ; what power-on left there
        im 1
        ei
1:      halt
        ld a,(ticks)
        cp 50
        jr c,1b
        di
        ld a,DOWN_2                     ; the stopwatch: from FFFFh down, 614.4 kHz
        out (CONTROL),a
        ld a,0xFF
        out (COUNTER_2),a
        out (COUNTER_2),a
        ld b,100
2:      djnz 2b
        ld a,READ_BACK_1_2              ; both counts of the same moment
        out (CONTROL),a
        ld hl,ticked
        call say
        ld a,(ticks)
        call put_hex
        ld hl,left
        call say
        in a,(COUNTER_1)
        ld c,a
        in a,(COUNTER_1)
        call put_hex
        ld a,c
        call put_hex
        ld hl,watch
        call say
        in a,(COUNTER_2)
        cpl
        ld c,a
        in a,(COUNTER_2)
        cpl
        call put_hex
        ld a,c
        call put_hex
        jp prompt
ticked: .asciz "\r\nticks: "
left:   .asciz "h\r\ncounter 1 has left: "
watch:  .asciz "h\r\n100 rounds of DJNZ, pulses: "
        .bss
        .comm ticks,1
