; sluice - delta queue and the round of jobs
        .include "hw.inc"
        .global yield, nap, timer_add, timer_cancel, job

        .text
; Hand on to the next job.  Keeps bc, de, ix, iy; spoils af, hl.
yield:  push    bc
        push    de
        push    ix
        push    iy
        call    run_due
        ld      hl,0
        add     hl,sp
        ex      de,hl
        ld      hl,(job)
        ld      (hl),e
        inc     hl
        ld      (hl),d
        inc     hl
        ld      de,jobs_end
        or      a
        sbc     hl,de
        add     hl,de
        jr      nz,1f
        ld      hl,jobs
1:      ld      (job),hl
        ld      e,(hl)
        inc     hl
        ld      d,(hl)
        ex      de,hl
        ld      sp,hl
        pop     iy
        pop     ix
        pop     de
        pop     bc
        ret

; Work off the ticks counted since last time.
run_due:
        ld      hl,due
        di
        ld      a,(hl)
        ld      (hl),0
        ei
        or      a
        ret     z
        ld      b,a
1:      push    bc
        call    one_tick
        pop     bc
        djnz    1b
        ret

; One tick: first node down by one; take off all that stand at nought.
one_tick:
        ld      ix,(queue)
        push    ix
        pop     hl
        ld      a,h
        or      l
        ret     z
        ld      l,(ix+n_delta)
        ld      h,(ix+n_delta+1)
        dec     hl
        ld      (ix+n_delta),l
        ld      (ix+n_delta+1),h
1:      ld      a,(ix+n_delta)
        or      (ix+n_delta+1)
        ret     nz
        ld      l,(ix+n_next)
        ld      h,(ix+n_next+1)
        ld      (queue),hl
        ld      e,(ix+n_flag)
        ld      d,(ix+n_flag+1)
        ld      a,1
        ld      (de),a
        ld      a,h
        or      l
        ret     z
        push    hl
        pop     ix
        jr      1b

; Hang node ix into the queue, due in de ticks (not 0).  Spoils all but ix, iy.
timer_add:
        ld      hl,queue                ; hl -> link that may have to lead to us
1:      ld      c,(hl)
        inc     hl
        ld      b,(hl)                  ; bc = node there
        dec     hl
        ld      a,b
        or      c
        jr      z,3f                    ; end of the list
        push    hl
        ld      hl,n_delta
        add     hl,bc
        ld      a,e                     ; de - its delta
        sub     (hl)
        inc     hl
        ld      a,d
        sbc     a,(hl)
        jr      c,2f                    ; we come before it
        dec     hl
        ld      a,e
        sub     (hl)
        ld      e,a
        inc     hl
        ld      a,d
        sbc     a,(hl)
        ld      d,a
        pop     hl
        ld      h,b                     ; a node begins with its link
        ld      l,c
        jr      1b
2:      dec     hl
        ld      a,(hl)                  ; what is left for the one behind us
        sub     e
        ld      (hl),a
        inc     hl
        ld      a,(hl)
        sbc     a,d
        ld      (hl),a
        pop     hl
3:      ld      (ix+n_next),c
        ld      (ix+n_next+1),b
        ld      (ix+n_delta),e
        ld      (ix+n_delta+1),d
        push    ix
        pop     bc
        ld      (hl),c
        inc     hl
        ld      (hl),b
        ret

; Take node ix out again, if it is in; the next one inherits its ticks.
timer_cancel:
        push    ix
        pop     de
        ld      hl,queue
1:      ld      c,(hl)
        inc     hl
        ld      b,(hl)
        dec     hl
        ld      a,b
        or      c
        ret     z
        ld      a,c
        cp      e
        jr      nz,2f
        ld      a,b
        cp      d
        jr      z,3f
2:      ld      h,b
        ld      l,c
        jr      1b
3:      ld      c,(ix+n_next)
        ld      (hl),c
        inc     hl
        ld      b,(ix+n_next+1)
        ld      (hl),b
        ld      a,b
        or      c
        ret     z
        ld      hl,n_delta
        add     hl,bc
        ld      a,(hl)
        add     a,(ix+n_delta)
        ld      (hl),a
        inc     hl
        ld      a,(hl)
        adc     a,(ix+n_delta+1)
        ld      (hl),a
        ret

; Sleep de ticks on node ix.
nap:    ld      l,(ix+n_flag)
        ld      h,(ix+n_flag+1)
        ld      (hl),0
        push    hl
        call    timer_add
        pop     de
1:      call    yield
        ld      a,(de)
        or      a
        jr      z,1b
        ret

        .section .data
        .global jobs
queue:  .word   0
; stack pointers as yield leaves them; the frames are below
jobs:   .word   f_upper, f_lower, f_keeper, f_watch, f_talk
jobs_end:

        .section .bss
job:    .space  2

; first frames: iy, ix, de, bc, entry - they start with the ret of setup, so the
; first job's pointer stands at the entry already
        .section .data
        .space  stklen
f_upper: .word  upper
        .space  stklen
f_lower: .word  0, 0, 0, 0, lower
        .space  stklen
f_keeper: .word 0, 0, 0, 0, keeper
        .space  stklen
f_watch: .word  0, 0, 0, 0, watch
        .space  stklen
f_talk: .word   0, 0, 0, 0, talk
        .section .bss
        .space  40
        .global istack
istack:
