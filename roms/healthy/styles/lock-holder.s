; Two tasks on one stack each, switched by hand: the log is locked for three seconds while a slow
; device is fed; the desk waits for the lock in a HALT loop, then asks for a key by interrupt.
        .include "bench/bench.inc"
        .text
        jp boot
        .org 0x80, 0xFF
vecs:   .word tick, tick, tick, tick, sio, sio, sio, sio
        .word sio, sio, sio, sio, sio, sio, sio, sio
tick:   push af
        push hl
        ld hl, left
        ld a, (hl)
        or a
        jr z, 1f
        dec (hl)
        jr nz, 1f
        xor a
        ld (lock), a            ; the slow device is through
1:      pop hl
        pop af
        ei
        reti
sio:    push af
        in a, (SIO_AD)
        ld (key), a
        pop af
        ei
        reti
boot:   ld sp, 0x8300
        ld hl, setup
        ld bc, 2 << 8 | SIO_BC
        otir
        ld bc, 9 << 8 | SIO_AC
        otir
        xor a
        ld (key), a
        ld i, a
        im 2
        inc a
        ld (lock), a
        ld a, 188
        ld (left), a
        ld a, 0x80
        out (CTC0), a
        ld a, 0xA7
        out (CTC0), a
        xor a
        out (CTC0), a           ; 10.7 ms
        ei
        ld hl, saving
        call puts
1:      halt
        ld a, (lock)
        or a
        jr nz, 1b
        ld hl, ready
        call puts
2:      halt
        di
        ld hl, key
        ld a, (hl)
        ld (hl), 0
        ei
        or a
        jr z, 2b
        call putc
        ld a, 188               ; each key is logged, which takes as long
        ld (left), a
        ld a, 1
        ld (lock), a
        ld hl, saving
        call puts
        jr 1b
setup:  .byte 2, 0x90, 0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0x18
        .include "bench/text.inc"
saving: .asciz " saving the log\r\n"
ready:  .asciz "desk ready\r\n"
        .bss
lock:   .ds 1
left:   .ds 1
key:    .ds 1
