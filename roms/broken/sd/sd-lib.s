; What the SD machines share: the card's lines are bits 0 (DI), 1 (CLK) and 2 (CS) of port 68h,
; and DO is bit 7 of a read.
        .equ PORT,0x68
        .equ DI,1
        .equ CLK,2
        .equ CS,4
        .global begin, power, command, answer, acmd41, token, get, put, release, select, argument
        .text
; Bring the card to where it takes everything; carry set when it does not come.
begin:
.ifndef NO_WARM_UP
        call power
.endif
        ld b,20                 ; tries of CMD0
1:      push bc
        call select
        ld hl,cmd0
        call command
        call release
        pop bc
        cp 1
        jr z,2f
        djnz 1b
        scf
        ret
2:
.ifndef NO_CMD8
        call select
        ld hl,cmd8
        call command
        ld b,4
3:      push bc
        call get
        pop bc
        djnz 3b
        call release
.endif
        ld bc,TRIES             ; of ACMD41
4:      push bc
        call acmd41
        pop bc
        or a
        jr z,5f
        dec bc
        ld a,b
        or c
        jr nz,4b
        scf
        ret
5:      or a
        ret
; Eighty clocks with CS and DI high.
power:  ld a,CS+DI
        out (PORT),a
        ld b,10
1:      push bc
        ld a,0xFF
        call put_high
        pop bc
        djnz 1b
        ret
; ACMD41; A = R1.
acmd41:
.ifndef NO_CMD55
        call select
        ld hl,cmd55
        call command
        call release
.endif
        call select
        ld hl,cmd41
        call command
        jr release
select: ld a,DI
        out (PORT),a
        ret
; CS high, and eight clocks so that the card lets DO go; keeps A.
release:
        push af
        ld a,CS+DI
        out (PORT),a
        ld a,0xFF
        call put_high
        pop af
        ret
; Send the six bytes at HL; A = R1, or FFh.
command:
        ld b,6
1:      ld a,(hl)
        inc hl
        push bc
        call put
        pop bc
        djnz 1b
; Clock bytes until one has bit 7 = 0.
answer:
        ld b,ANSWER_TRIES
1:      push bc
        call get
        pop bc
        bit 7,a
        ret z
        djnz 1b
        ret
; Clock bytes until one is not FFh, for a while; A = it.
token:  ld de,TOKEN_TRIES
1:      call get
        cp 0xFF
        ret nz
        dec de
        ld a,d
        or e
        jr nz,1b
        ld a,0xFF
        ret
; Clock a byte in: A. Destroys B and C.
get:    ld a,0xFF
; Send A with CS low, the highest bit first; A = what came. Destroys B and C.
put:    ld c,a
        ld b,8
1:      xor a
        rl c
        rla                     ; DI
        out (PORT),a
        or CLK
        out (PORT),a
        in a,(PORT)
        rla
        rl d_in
        djnz 1b
        ld a,DI
        out (PORT),a
        ld a,(d_in)
        ret
; The same with CS high, for bytes FFh.
put_high:
        ld b,8
1:      ld a,CS+DI+CLK
        out (PORT),a
        ld a,CS+DI
        out (PORT),a
        djnz 1b
        ret
