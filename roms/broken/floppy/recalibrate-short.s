; The head stands on cylinder 79 when the machine starts again; one recalibrate gives up on the
; way, and the program takes it for a broken drive.
        .text
start:  ld sp,0
        ld a,2
        call reset_controller
        call spin_up
        call recalibrate
        ld hl,seek
        ld b,3
        call send
1:      call sense
        ld a,(result)
        bit 5,a
        jr z,1b
        ld a,2                          ; as after a reset: nobody knows where the head is
        call reset_controller
        call spin_up
        call recalibrate
        and 0xC0
        jr z,good
broken: di
        halt
        jr broken
good:   ei
        halt
        jr good
seek:   .byte 0x0F,0,79
