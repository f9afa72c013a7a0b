; Recalibrates and halts until the controller's interrupt comes. It is wired nowhere.
        .text
start:  jp begin
        .org 0x38
        push af
        push bc
        push hl
        call sense
        pop hl
        pop bc
        pop af
        ei
        ret
begin:  ld sp,0
        im 1
        ld a,2
        call reset_controller
        call spin_up
        ld hl,command
        ld b,2
        call send
wait:   ei
        halt
        ld a,(result)
        bit 5,a
        jr z,wait
        call read_sector
        di
        halt
command:
        .byte 0x07,0
