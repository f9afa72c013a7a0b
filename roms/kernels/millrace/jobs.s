; sluice - the jobs
        .include "hw.inc"
        .global upper, lower, keeper, watch, talk

        .text
; Two gates.  Each opens when asked, takes its time, and says so.
upper:  ld      ix,t_upper
        ld      iy,g_upper
        ld      de,7
        jr      gate
lower:  ld      ix,t_lower
        ld      iy,g_lower
        ld      de,6
gate:   call    yield
        ld      a,(iy+0)
        cp      1                       ; asked
        jr      nz,gate
        push    de
        call    nap
        pop     de
        ld      (iy+0),2                ; open
1:      call    yield
        ld      a,(iy+0)
        cp      3                       ; asked to shut
        jr      nz,1b
        push    de
        call    nap
        pop     de
        ld      (iy+0),0
        jr      gate

; The keeper takes six boats through, three up and three down in turn.
keeper: ld      b,6
1:      ld      hl,g_upper
        ld      de,s_down
        bit     0,b
        jr      z,2f
        ld      hl,g_lower
        ld      de,s_up
2:      push    bc
        push    de
        ld      (hl),1
3:      push    hl
        call    yield
        pop     hl
        ld      a,(hl)
        cp      2
        jr      nz,3b
        push    hl
        ld      ix,t_keeper
        ld      de,4
        call    nap
        pop     hl
        ld      (hl),3
4:      push    hl
        call    yield
        pop     hl
        ld      a,(hl)
        or      a
        jr      nz,4b
        ld      hl,boats
        inc     (hl)
        pop     hl
        call    print
        ld      a,(boats)
        call    digit
        call    crlf
        ld      ix,t_guard              ; a boat came: the guard may relax
        call    timer_cancel
        ld      ix,t_guard
        ld      de,60
        call    timer_add
        pop     bc
        djnz    1b
        ld      ix,t_guard
        call    timer_cancel
        ld      hl,s_shut
        call    print
5:      call    yield
        jr      5b

; Watch: calls out if no boat passed for 60 ticks.  Keeps the seconds, too.
watch:  call    yield
        ld      a,(guard_due)
        or      a
        jr      z,watch
        xor     a
        ld      (guard_due),a
        ld      hl,s_alarm
        call    print
        jr      watch

; Talk: b boats, s seconds
talk:   ld      hl,s_prompt
        call    print
1:      call    key
        call    putc
        cp      'b'
        ld      hl,boats
        jr      z,2f
        cp      's'
        ld      hl,seconds
        jr      z,2f
        ld      hl,s_help
        call    print
        jr      talk
2:      push    hl
        ld      hl,s_is
        call    print
        pop     hl
        ld      a,(hl)
        call    digit
        call    crlf
        jr      talk

; Next key.  All the others go on meanwhile.
key:    call    yield
        ld      hl,k_in
        ld      a,(k_out)
        cp      (hl)
        jr      z,key
        ld      e,a
        inc     a
        and     7
        ld      (k_out),a
        ld      d,0
        ld      hl,k_ring
        add     hl,de
        ld      a,(hl)
        ret

; Letters go out by polling, with a round of the jobs while the chip is busy.
putc:   push    hl
        push    af
1:      in      a,(ser_c)
        bit     2,a
        jr      nz,2f
        ld      a,(busy_line)
        or      a
        call    z,yield
        jr      1b
2:      pop     af
        out     (ser_d),a
        pop     hl
        ret

digit:  add     a,'0'
        jr      putc
crlf:   ld      a,13
        call    putc
        ld      a,10
        jr      putc

; Text at hl, length first.  A text is not broken up by others.
print:  push    bc
1:      ld      a,(busy_line)
        or      a
        jr      z,2f
        push    hl
        call    yield
        pop     hl
        jr      1b
2:      inc     a
        ld      (busy_line),a
        ld      b,(hl)
3:      inc     hl
        ld      a,(hl)
        call    putc
        djnz    3b
        xor     a
        ld      (busy_line),a
        pop     bc
        ret

.macro  say     t
        .byte   e\@ - b\@
b\@:    .ascii  "\t"
e\@:
.endm
s_down: say     "boat down, number "
s_up: say     "boat up, number "
s_shut: say     "gates shut for the night\r\n"
s_alarm: say    "no boat for long\r\n"
s_prompt: say   "keeper: "
s_is: say     " is "
s_help: say     " b or s\r\n"

        .section .data
; nodes: link, delta, flag
t_upper: .word  0, 0, f1
t_lower: .word  0, 0, f2
t_keeper: .word 0, 0, f3
t_guard: .word  0, 0, guard_due

        .section .bss
f1:     .space  1
f2:     .space  1
f3:     .space  1
guard_due: .space 1
g_upper: .space 1
g_lower: .space 1
boats:  .space  1
busy_line: .space 1
