; Seeks, waits until the head has moved, and reads without asking how the seek ended.  With
; WAIT_BUSY it waits for the drive's busy bit before it would ask.
        .equ status,0x40
        .text
start:  ld sp,0
        ld a,2
        call reset_controller
        call spin_up
        ld hl,seek
        ld b,3
        call send
        .ifdef WAIT_BUSY
1:      in a,(status)
        and 0x0F
        jr nz,1b
        call sense
        .else
        ld de,20
1:      djnz 1b
        dec e
        jr nz,1b
        .endif
        call read_sector
idle:   ld a,(result+6)                 ; the seventh result byte: N
        cp 2
        jr nz,idle
        halt
seek:   .byte 0x0F,0,0
