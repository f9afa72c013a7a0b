;; the desk on line A; line B is the mate's terminal
        .include "twin.inc"
        .section .text,"ax"
        .globl desk
desk:   ld ix, line_b
        ld hl, t_mate
        call puts
        ld ix, line_a
        ld hl, t_hello
        call puts
ask:    ld hl, t_ask
        call puts
        ld hl, text             ; a line into text
        ld b, 0
ask1:   call getc
        cp 13
        jr z, done
        ld c, a
        ld a, b
        cp 47
        ld a, c
        jr nc, ask1
        ld (hl), a
        inc hl
        inc b
        call putc
        jr ask1
done:   ld (hl), 0
        ld hl, t_nl
        call puts
        ld a, b
        or a
        jr z, ask
        ld hl, orders
find:   ld a, (hl)              ; letter, routine
        or a
        jr z, what
        ld b, a
        inc hl
        ld e, (hl)
        inc hl
        ld d, (hl)
        inc hl
        ld a, (text)
        cp b
        jr nz, find
        ld hl, ask
        push hl
        push de
        ret
what:   ld hl, t_what
        call puts
        jr ask

;; w TEXT: to the mate
word:   ld ix, line_b
        ld hl, text+1
        call puts
        ld hl, t_nl
        call puts
        ld ix, line_a
        ld hl, t_sent
        jp puts

;; t: ticks, in hex
time:   call ticks_now
        ld a, h
        or l
        ld hl, t_alive
        jp nz, puts
        ld hl, t_dead
        jp puts

;; n: nap half a second; the difference copes with the wrap at FFFFh
nap:    call ticks_now
        ex de, hl
nap1:   halt
        call ticks_now
        or a
        sbc hl, de
        ld bc, 50
        or a
        sbc hl, bc
        jr c, nap1
        ld hl, t_rested
        jp puts

;; l: the log, on both lines at once, turn about
log:    ld b, 6
log1:   push bc
        ld ix, line_b
        ld hl, t_log
        call puts
        ld ix, line_a
        ld hl, t_log
        call puts
        pop bc
        djnz log1
        ld hl, t_end
        jp puts

orders: .byte 'w'
        .word word
        .byte 't'
        .word time
        .byte 'n'
        .word nap
        .byte 'l'
        .word log
        .byte 0

t_mate:  .asciz "mate's line open\r\n"
t_hello: .asciz "\r\ntwinline, both lines open: w(ord) t(ime) n(ap) l(og)\r\n"
t_ask:   .asciz "desk: "
t_nl:    .asciz "\r\n"
t_what:  .asciz "no such order\r\n"
t_sent:  .asciz "passed on\r\n"
t_alive: .asciz "the clock goes\r\n"
t_dead:  .asciz "the clock stands\r\n"
t_rested: .asciz "rested\r\n"
t_log:   .asciz "wind north-east, swell moderate, barge at the north quay, lights burning\r\n"
t_end:   .asciz "that is the log\r\n"

        .section .bss,"aw",@nobits
text:   .space 48
