; Writes to a protected disk, again and again.
        .equ status,0x40
        .equ data,0x41
        .text
start:  ld sp,0
        ld a,2
        call reset_controller
        call spin_up
        call recalibrate
again:  ld hl,write
        ld b,9
        call send
        ld hl,buffer
        ld c,data
1:      in a,(status)
        add a,a
        jr nc,1b
        add a,a
        jp p,2f
        outi
        jr 1b
2:      call results
        ld a,(result+1)
        and 0x7F
        jr nz,again
        halt
write:  .byte 0x45,0,0,0,1,2,1,0x1B,0xFF
