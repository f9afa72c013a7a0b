; mailroom: the switch, the tick, events
        .include "defs.inc"
        .global resched, switch_in, tick_isr, block, wake, sleep, idle, ticks

        .section .text

; Give the CPU away.  Call with interrupts off; they are on when it comes back.
resched:
        save_all
switch_out:
        ld      ix,(current)
        ld      hl,0
        add     hl,sp
        ld      (ix+T_SP),l
        ld      (ix+T_SP+1),h
1:      ld      l,(ix+T_NEXT)           ; next in the ring that may run;
        ld      h,(ix+T_NEXT+1)         ; idle always may
        push    hl
        pop     ix
        ld      a,(ix+T_WAIT)
        or      (ix+T_WAIT+1)
        jr      nz,1b
        ld      (current),ix
switch_in:
        ld      l,(ix+T_SP)
        ld      h,(ix+T_SP+1)
        ld      sp,hl
        load_all
        ei
        ret

; CTC channel 3.  The chain is let go at once (tick_end), because the task that runs
; next may have been put aside by resched, whose frame knows nothing of interrupts.
tick_isr:
        save_all
        call    tick_end
        ld      hl,(ticks)
        inc     hl
        ld      (ticks),hl
        ld      ix,tcbs
        ld      b,NTASKS
1:      ld      l,(ix+T_DELAY)
        ld      h,(ix+T_DELAY+1)
        ld      a,h
        or      l
        jr      z,2f
        dec     hl
        ld      (ix+T_DELAY),l
        ld      (ix+T_DELAY+1),h
        ld      a,h
        or      l
        jr      nz,2f
        ld      (ix+T_WAIT),a           ; a = 0: over
        ld      (ix+T_WAIT+1),a
2:      ld      de,T_SIZE
        add     ix,de
        djnz    1b
        jr      switch_out

tick_end:
        reti

; Wait for event hl.  Interrupts off on entry, on at exit.  Keeps bc, de, ix.
block:
        push    ix
        ld      ix,(current)
        ld      (ix+T_WAIT),l
        ld      (ix+T_WAIT+1),h
        pop     ix
        jp      resched

; Everybody who waits for event hl may run.  Interrupts off.  Spoils a only.
wake:
        push    ix
        push    de
        push    bc
        ld      ix,tcbs
        ld      de,T_SIZE
        ld      b,NTASKS
1:      ld      a,(ix+T_WAIT)
        cp      l
        jr      nz,2f
        ld      a,(ix+T_WAIT+1)
        cp      h
        jr      nz,2f
        xor     a
        ld      (ix+T_WAIT),a
        ld      (ix+T_WAIT+1),a
2:      add     ix,de
        djnz    1b
        pop     bc
        pop     de
        pop     ix
        ret

; Sleep de ticks (at least 1).
sleep:
        di
        push    ix
        ld      ix,(current)
        ld      (ix+T_DELAY),e
        ld      (ix+T_DELAY+1),d
        pop     ix
        ld      hl,ticks                ; the event nobody wakes but the count-down
        jr      block

idle:
        halt                            ; any interrupt may have readied someone
        di
        call    resched
        jr      idle

        .section .bss
ticks:          ds      2
