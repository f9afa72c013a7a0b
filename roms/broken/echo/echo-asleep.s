; Keys are echoed by the receive handler, so the machine looks alive; but the foreground sleeps
; until a tick that no card gives.
        .equ sio,0x20
        .equ ctc,0x28
        .text
start:  di
        ld sp,0
        ld hl,0
        ld (left),hl
        xor a
        ld (last),a
        ld a,table >> 8
        ld i,a
        im 2
        ld a,2
        out (sio+3),a           ; the vector register is channel B's
        ld a,table & 0xFF
        out (sio+3),a
        ld hl,setup
        ld b,setup_end-setup
        ld c,sio+1
        otir
        ld a,16                 ; the table begins a page
        out (ctc),a
        ld a,0xA7
        out (ctc),a
        ld a,156
        out (ctc),a
        ld a,'-'
        out (sio),a
        ei
        ld hl,25
        ld (left),hl
nap:    halt
        ld hl,(left)
        ld a,h
        or l
        jr nz,nap
        ld a,'>'
        out (sio),a
idle:   halt
        ld a,(last)
        cp 13
        jr nz,idle
        xor a
        ld (last),a
        ld a,'>'
        out (sio),a
        jr idle
tick:   push hl
        ld hl,(left)
        dec hl
        ld (left),hl
        pop hl
        ei
        reti
rx:     push af
        in a,(sio)
        ld (last),a
        out (sio),a
        pop af
        ei
        reti
stop:   jr stop
setup:  .db 0x18, 0x04, 0x44, 0x01, 0x18, 0x03, 0xC1, 0x05, 0x68
setup_end:
        .balign 256
table:  .dw rx, rx, rx, rx, rx, rx, rx, rx
        .dw tick, stop, stop, stop
        .bss
left:   .ds 2
last:   .ds 1
