; Two coroutines that need the pump and the valve at once, and take them in opposite order: each
; comes to hold what the other waits for.  With ONE_ORDER both take the pump first.
        .equ acia,0x30
        .text
start:  di
        ld sp,0
        ld a,3
        out (acia),a
        ld a,0x15
        out (acia),a
        xor a
        ld (pump),a
        ld (valve),a
        ld (rounds),a
        ld hl,drain
        ld (0xF000-2),hl
        ld hl,0xF000-6          ; room for the registers that swap takes
        ld (other),hl
fill:   ld hl,pump
        call acquire
        call swap
        ld hl,valve
        call acquire
        call both
        call swap
        jr fill
drain:  .ifdef ONE_ORDER
        ld hl,pump
        .else
        ld hl,valve
        .endif
        call acquire
        call swap
        .ifdef ONE_ORDER
        ld hl,valve
        .else
        ld hl,pump
        .endif
        call acquire
        call both
        call swap
        jr drain
; Work with both, show it and let them go.
both:   ld a,'+'
        out (acia+1),a
        ld hl,rounds
        inc (hl)
        xor a
        ld (pump),a
        ld (valve),a
        ret
; Wait for the byte at HL and take it.
acquire:
        bit 0,(hl)
        jr z,free
        call swap
        jr acquire
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
pump:   .ds 1
valve:  .ds 1
rounds: .ds 1
other:  .ds 2
mine:   .ds 2
