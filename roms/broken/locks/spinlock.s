; Two coroutines and a spin lock. With KEEPS_LOCK the first leaves its critical section by a
; path that forgets to release the lock; then the second spins on it for ever.
        .equ acia,0x30
        .text
start:  di
        ld sp,0
        ld a,3
        out (acia),a
        ld a,0x15
        out (acia),a
        xor a
        ld (lock),a
        ld (sum),a
        ld hl,reader
        ld (0xF000-2),hl
        ld hl,0xF000-6          ; room for the registers that swap takes
        ld (other),hl
writer: call acquire
        ld b,5
add:    ld a,(sum)
        add a,b
        ld (sum),a
        call swap
        djnz add
        .ifdef KEEPS_LOCK
        ld a,(sum)
        cp 15
        jr z,done
        .endif
        xor a
        ld (lock),a
done:   call swap
        jr done
reader: call acquire
        xor a
        ld (lock),a
        ld a,'>'
        out (acia+1),a
echo:   call swap
        in a,(acia)
        rra
        jr nc,echo
        in a,(acia+1)
        out (acia+1),a
        jr echo
acquire:
        ld hl,lock
try:    bit 0,(hl)
        jr z,free
        call swap
        jr try
free:   set 0,(hl)
        ret
swap:   push bc
        push hl
        ld (mine),sp
        ld hl,(other)
        ld de,(mine)
        ld (other),de
        ld sp,hl
        pop hl
        pop bc
        ret
        .bss
lock:   .ds 1
sum:    .ds 1
other:  .ds 2
mine:   .ds 2
