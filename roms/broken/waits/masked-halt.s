; Sums the first bytes of the ROM and then halts with interrupts off: nothing can wake it.
        .text
start:  ld sp,0
        ld hl,start
        ld b,16
        xor a
sum:    add a,(hl)
        inc hl
        djnz sum
        ld (total),a
        di
stop:   halt
        jr stop
        .bss
total:  .ds 1
