; Sets a three-wire clock going and waits for its seconds to move. With NO_START it relies on a
; clock that runs already; with PROTECT it forgets to take the write protection off.
        .equ PORT,0xB0
        .equ CE,1
        .equ CLOCK,2
        .equ DATA,4
        .equ DRIVE,8
        .text
start:  ld sp,0
        call console_on
        xor a
        out (PORT),a
        .ifdef PROTECT
        ld de,0x808E
        .else
        ld de,0x008E
        .endif
        call put
        .ifndef NO_START
        ld de,0x0080
        call put
        .endif
        call seconds
        ld c,a
wait:   call seconds
        cp c
        jr z,wait
        jp echo
; Write D to register E.
put:    ld a,CE+DRIVE
        out (PORT),a
        ld a,e
        call send
        ld a,d
        call send
        xor a
        out (PORT),a
        ret
; Read the seconds to A.
seconds:
        ld a,CE+DRIVE
        out (PORT),a
        ld a,0x81
        call send
        ld b,8
1:      ld a,CE
        out (PORT),a
        in a,(PORT)
        rrca
        rr l
        ld a,CE+CLOCK
        out (PORT),a
        djnz 1b
        xor a
        out (PORT),a
        ld a,l
        ret
; Send A, the lowest bit first.
send:   ld l,a
        ld b,8
2:      ld a,CE+DRIVE
        rr l
        jr nc,3f
        or DATA
3:      out (PORT),a
        or CLOCK
        out (PORT),a
        djnz 2b
        ret
