; Sends a report through channel A of an SCC by interrupts of mode 2, whose vector has the status in
; it, and echoes what comes there. What is assembled with a define leaves out what its name says.
        .equ SCC_DATA,0x3C              ; channel A
        .equ SCC_CONTROL,0x3D
        .equ END_OF_SERVICE,0x38        ; reset highest IUS: the chip knows no RETI
        .equ NOTHING_TO_SEND,0x28       ; reset transmit interrupt pending
        .equ STATUS_SEEN,0x10           ; reset external/status
        .equ ERRORS_SEEN,0x30
        .text
start:  di
        ld sp,0xFF00
        call talk_on
        xor a
        ld (done),a
        ld hl,report+1
        ld (next),hl
        ld hl,settings
        ld bc,(settings_end - settings) << 8 | SCC_CONTROL
        otir
        ld a,vectors >> 8
        ld i,a
        im 2
        ei
        ld a,(report)                   ; the first one; its interrupt asks for the next
        out (SCC_DATA),a
1:      ld a,(done)
        or a
        jr z,1b
        ld hl,sent
        call say
        ld hl,(next)
        ld de,report
        or a
        sbc hl,de
        ld a,l
        call put_hex
        jp prompt
; The buffer is empty: the next byte, if there is one.
room:   push af
        push hl
        ld hl,(next)
        ld a,(hl)
        or a
        jr z,2f
        inc hl
        ld (next),hl
        out (SCC_DATA),a
        jr 3f
2:      ld a,NOTHING_TO_SEND
        out (SCC_CONTROL),a
        ld a,1
        ld (done),a
3:      pop hl
served:
        .ifndef NO_END
        ld a,END_OF_SERVICE
        out (SCC_CONTROL),a
        .endif
        pop af
        ei
        reti
; A character, good or bad: it goes back.
came:   push af
        in a,(SCC_DATA)
        out (SCC_DATA),a
        ld a,ERRORS_SEEN
        out (SCC_CONTROL),a
        jr served
status: push af
        ld a,STATUS_SEEN
        out (SCC_CONTROL),a
        jr served
; Register and byte in turn: WR0 points by the number alone, bit 3 of which is "point high".
settings:
        .byte 9,0xC0                    ; reset
        .byte 4,0x44, 2,0x40            ; x16, 8N1; vector
        .byte 11,0x50, 12,3, 13,0       ; both from the generator: 6.144 MHz / 2 / (3 + 2) / 16
        .ifndef NO_GENERATOR
        .byte 14,3                      ; it runs, from PCLK
        .endif
        .byte 3,0xC1, 5,0xEA, 15,0, 1,0x12
        .ifndef NO_MASTER
        .byte 9,0x09                    ; master enable, status in the vector
        .endif
settings_end:
report: .ascii "Tidewater, berth 3: high water 07:12, 4.31 m; low water 13:25, "
        .asciz "0.92 m\r\n"
sent:   .asciz "\r\nreport sent, bytes: "
        .balign 256
vectors:
        .space 0x40
        .word status,status,status,status       ; channel B
        .word room,status,came,came
        .bss
        .comm next,2
        .comm done,1
