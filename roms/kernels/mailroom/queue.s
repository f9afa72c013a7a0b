; mailroom: message queues.  ix = queue, de = the letter.
; Who finds it empty waits for event ix, who finds it full for event ix+1.
        .include "defs.inc"
        .global q_send, q_recv

        .section .text
q_send:
        di
        ld      a,(ix+Q_COUNT)
        cp      Q_DEPTH
        jr      c,1f
        push    ix
        pop     hl
        inc     hl
        call    block
        jr      q_send
1:      inc     (ix+Q_COUNT)
        ld      a,(ix+Q_HEAD)
        call    q_slot
        ld      (hl),e
        inc     hl
        ld      (hl),d
        inc     a
        and     Q_DEPTH-1
        ld      (ix+Q_HEAD),a
        push    ix
        pop     hl
        call    wake
        ei
        ret

q_recv:
        di
        ld      a,(ix+Q_COUNT)
        or      a
        jr      nz,1f
        push    ix
        pop     hl
        call    block
        jr      q_recv
1:      dec     (ix+Q_COUNT)
        ld      a,(ix+Q_TAIL)
        call    q_slot
        ld      e,(hl)
        inc     hl
        ld      d,(hl)
        inc     a
        and     Q_DEPTH-1
        ld      (ix+Q_TAIL),a
        push    ix
        pop     hl
        inc     hl
        call    wake
        ei
        ret

; hl = address of word a of queue ix; keeps a, spoils bc
q_slot:
        ld      c,a
        ld      b,0
        push    ix
        pop     hl
        add     hl,bc
        add     hl,bc
        ld      c,Q_BUF
        add     hl,bc
        ret
