; Selects drive 1, turns its motor on and reads; only drive 0 is fitted.
        .equ output,0x42
        .text
start:  ld sp,0
        ld a,2
        call reset_controller
        call spin_up
        ld a,0x2D
        out (output),a
        ld a,1
        ld hl,read_command
        ld de,buffer
        ld bc,9
        ldir
        ld (buffer+1),a
        ld hl,buffer
        ld b,9
        call send
        call results
        jr start
