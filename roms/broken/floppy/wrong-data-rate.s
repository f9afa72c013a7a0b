; Reads a disk of 250 kbit/s at 500 kbit/s, again and again.
        .text
start:  ld sp,0
        xor a
        call reset_controller
        call spin_up
        call recalibrate
again:  call read_sector
        ld a,(result+1)
        or a
        jr nz,again
        halt
