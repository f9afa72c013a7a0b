; Selects the drive and reads, but never turns the motor on: 0Ch where 1Ch was meant.
        .text
start:  ld sp,0
        ld a,2
        call reset_controller
        call read_sector
        jr start
