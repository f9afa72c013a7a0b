; A routine takes the lock of the log and calls another that takes it too: it waits for
; itself.
        .include "../common/zoo.inc"
        .text
start:  ld sp, stack_top
        xor a
        ld (lock), a
        ld b, 10
1:      call take
        call free
        djnz 1b
        call append
stop:   jr stop
append: call take
        call flush
        call free
        ret
flush:  call take
        ld hl, (records)
        inc hl
        ld (records), hl
        call free
        ret
take:   ld a, (lock)
        or a
        jr nz, take
        inc a
        ld (lock), a
        ret
free:   xor a
        ld (lock), a
        ret
        .bss
lock:   .ds 1
records: .ds 2
        .ds 64
stack_top:
