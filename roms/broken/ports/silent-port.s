; Waits for a status bit of a card that is not there: bit 7 of port 64h reads 1 for ever.
        .equ status,0x64
        .text
start:  ld sp,0
        call wait_ready
        jr start
wait_ready:
        in a,(status)
        rlca
        jr c,wait_ready
        ret
