; ---------------------------------------------------------------------
; the wake-up: channel 0 divides, channel 1 counts what channel 0 gives
; ---------------------------------------------------------------------
    .include "sw_defs.inc"
    .section .text, "ax"
    .globl wake_open, wake_isr, unwanted

wake_open:
    ld   a, vec_ctc
    out  (ctc_div), a
    ld   a, 0x27            ; timer, /256, constant follows, no interrupt
    out  (ctc_div), a
    ld   a, 128             ; 3.2768 MHz / 256 / 128 = 100 Hz
    out  (ctc_div), a
    ld   a, 0xd7            ; interrupt, counter, rising edge, constant follows
    out  (ctc_wake), a
    ld   a, 200             ; two seconds
    out  (ctc_wake), a
    ld   a, 0x03
    out  (ctc_x2), a
    out  (ctc_x3), a
    ret

wake_isr:
    push af
    ld   a, (woken)
    inc  a
    ld   (woken), a
    ld   a, (mast_img)
    xor  1                  ; a light that shows we are alive
    ld   (mast_img), a
    out  (mast), a
    pop  af
    ei
    reti

; an interrupt nobody asked for is counted and let go
unwanted:
    push hl
    ld   hl, strays
    inc  (hl)
    pop  hl
    ei
    reti

    .section .bss, "aw", @nobits
    .globl mast_img, strays
mast_img: .space 1
strays:   .space 1
