; A monitor at its smallest: sets up the SIO, says hello, and echoes what is typed, polled.
; Healthy as it stands; the backplane files give it the faults.
        .include "zoo.inc"
        .text
start:  di
        ld sp, 0
        ld hl, setup
        ld bc, (setup_end - setup) << 8 | SIO_A_CONTROL
        otir
.ifdef SECOND_SIO                       ; set up a second chip, with a slow rate for a modem
        ld hl, second
        ld bc, (second_end - second) << 8 | (SIO_A_CONTROL + 8)
        otir
.endif
        ld hl, banner
        call print
        call count_ram
again:  ld hl, prompt
        call print
line:   call getc
        call putc
        cp 13
        jr nz, line
        jr again

print:  ld a, (hl)
        or a
        ret z
        call putc
        inc hl
        jr print

putc:   push af
1:      in a, (SIO_A_CONTROL)
        and 0x04                        ; transmit buffer empty
        jr z, 1b
        pop af
        out (SIO_A_DATA), a
        ret

getc:   in a, (SIO_A_CONTROL)
        rrca                            ; receive character available
        jr nc, getc
        in a, (SIO_A_DATA)
        ret

; Walk a pattern through a page of RAM, as monitors do, and put the sum beside it.
count_ram:
        ld hl, pattern
        ld b, 0
1:      ld (hl), l
        inc hl
        djnz 1b
        dec hl
        ld b, 0
        xor a
2:      add a, (hl)
        dec hl
        djnz 2b
        ld (sum), a
        ret

setup:  .byte 0x18                      ; channel reset
.ifdef DEFECT_NO_RECEIVER
        .byte 4, 0x44, 3, 0xC0, 5, 0xEA
.else
        .byte 4, 0x44, 3, 0xC1, 5, 0xEA ; x16, 8N1; receiver on; transmitter on, RTS, DTR
.endif
setup_end:
.ifdef SECOND_SIO
second: .byte 0x18
        .byte 4, 0xC4, 3, 0xC1, 5, 0xEA ; x64
second_end:
.endif
banner: .asciz "\r\nHarbour monitor\r\n"
prompt: .asciz "\r\n* "
        .bss
pattern: .ds 256
sum:    .ds 1
