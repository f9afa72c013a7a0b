; Waits for the disk-change line to go back, and never steps: only a step pulse does that.
        .equ rate,0x43
        .text
start:  ld sp,0
        ld a,2
        call reset_controller
        call spin_up
wait:   in a,(rate)
        rla
        jr c,wait
        call recalibrate
        call read_sector
        ei
        halt
