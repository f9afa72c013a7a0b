; Turns the motor on, reads at once, gives up after 0.25 s, turns the motor off and
; rests a while before it tries again.
        .equ status,0x40
        .equ output,0x42
        .text
start:  ld sp,0
        ld a,2
        call reset_controller
        call recalibrate
        call recalibrate
        call rest
again:  ld a,2
        call reset_controller
        ld a,0x1C
        out (output),a
        ld hl,read_command
        ld b,9
        call send
        ld bc,0x5000                    ; 0.25 s at 4 MHz
wait:   in a,(status)
        rlca
        jr c,ready
        dec bc
        ld a,b
        or c
        jr nz,wait
        ld a,0
        out (output),a                  ; gives up
        call rest
        jr again
ready:  call results
        di
        halt
rest:   ld hl,0                         ; 0.4 s
1:      dec hl
        ld a,h
        or l
        jr nz,1b
        ret
