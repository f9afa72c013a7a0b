; Three processes that sleep by 16-bit deadlines, and an idle that is a HALT in the scheduler.
; Ticks: Z80 CTC channel 0 in mode 2. Console: a 6850-type chip, polled between naps.
        .equ ctc,0x28
        .equ acia,0x30
        .text
start:  di
        ld sp,0
        jp boot
        .org 0x38
        ei
        reti
        .org 0x100
boot:   ld a,3
        out (acia),a
        ld a,0x15
        out (acia),a
        ld hl,0
        ld (ticks),hl
        call make_processes
        call start_ticks
        ld hl,(first)
        ld sp,hl
        ret
start_ticks:
        .ifndef NO_I
        ld a,table >> 8
        ld i,a
        .endif
        .ifdef MODE1
        im 1
        .else
        im 2
        .endif
        .ifdef ODD_VECTOR
        ld a,table_low+8
        .else
        ld a,table_low
        .endif
        out (ctc),a
        .ifdef NO_ENABLE
        ld a,0x27               ; timer, by 256, constant follows: interrupt not enabled
        .else
        .ifdef COUNTER
        ld a,0xC7               ; counter: counts CLK/TRG, where nothing is wired
        .else
        .ifdef TRIGGER
        ld a,0xAF               ; waits for an edge at CLK/TRG
        .else
        ld a,0xA7
        .endif
        .endif
        .endif
        out (ctc),a
        ld a,156
        out (ctc),a
        .ifndef NO_EI
        ei
        .endif
        ret
tick:   push hl
        ld hl,(ticks)
        inc hl
        ld (ticks),hl
        pop hl
        ei
        .ifdef PLAIN_RET
        ret
        .else
        reti
        .endif
make_processes:
        ld hl,0xF000-2
        ld (hl),clerk & 0xFF
        inc hl
        ld (hl),clerk >> 8
        dec hl
        ld (first),hl
        ld hl,0xF100-2
        ld (hl),blink & 0xFF
        inc hl
        ld (hl),blink >> 8
        dec hl
        ld (second),hl
        ld hl,0xF200-2
        ld (hl),count & 0xFF
        inc hl
        ld (hl),count >> 8
        dec hl
        ld (third),hl
        ld hl,0
        ld (first+2),hl
        ld (second+2),hl
        ld (third+2),hl
        ld hl,first
        ld (current),hl
        ld a,3
        ld (round),a
        ret
; Sleep HL ticks.
sleep:  ld de,(ticks)
        add hl,de
        ex de,hl
        ld hl,(current)
        inc hl
        inc hl
        ld (hl),e
        inc hl
        ld (hl),d
        ld hl,0
        add hl,sp
        ex de,hl
        ld hl,(current)
        ld (hl),e
        inc hl
        ld (hl),d
next:   ld hl,(current)
        ld de,4
        add hl,de
        ld de,after
        or a
        sbc hl,de
        add hl,de
        jr c,look
        ld hl,first
look:   ld (current),hl
        inc hl
        inc hl
        ld e,(hl)
        inc hl
        ld d,(hl)
        ld hl,(ticks)
        or a
        sbc hl,de
        bit 7,h
        jr z,go_on
        ld hl,round
        dec (hl)
        jr nz,next
        ld (hl),3
        .ifndef NO_EI
        halt
        .endif
        jr next
go_on:  ld hl,(current)
        ld e,(hl)
        inc hl
        ld d,(hl)
        ex de,hl
        ld sp,hl
        ret
clerk:  ld hl,10
        call sleep
        ld hl,hello
        call print
key:    ld hl,1
        call sleep
        in a,(acia)
        rra
        jr nc,key
        in a,(acia+1)
        call put
        cp 13
        jr nz,key
        ld hl,hello
        call print
        jr key
print:  ld a,(hl)
        or a
        ret z
        call put
        inc hl
        jr print
put:    push af
full:   in a,(acia)
        and 2
        jr z,full
        pop af
        out (acia+1),a
        ret
blink:  ld hl,50
        call sleep
        ld a,(lamp)
        cpl
        ld (lamp),a
        jr blink
count:  ld hl,100
        call sleep
        ld hl,(seconds)
        inc hl
        ld (seconds),hl
        jr count
hello:  .asciz "\r\nready> "
        .equ table_low,0x40
        .org 0x340
table:  .dw tick
        .dw lost
        .dw lost
        .dw lost
        .dw lost
        .dw lost
lost:   jr lost
        .bss
ticks:  .ds 2
current: .ds 2
round:  .ds 1
first:  .ds 4
second: .ds 4
third:  .ds 4
after:
lamp:   .ds 1
seconds: .ds 2
