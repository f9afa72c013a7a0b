; Takes "end of cylinder" for a broken sector: nobody gives terminal count.
        .text
start:  ld sp,0
        ld a,2
        call reset_controller
        call spin_up
        call recalibrate
again:  call read_sector
        ld a,(result)
        and 0xC0
        jr nz,again
        halt
