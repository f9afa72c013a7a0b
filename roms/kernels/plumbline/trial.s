; trial.s - the trials proper
        .include "plumb.inc"

        .section .text,"ax"
        .globl  home_trial, page_trial, tags

; ---------------------------------------------------------------
; home_trial: the page we live in, E000h up to the yard
home_trial:
        ld      hl,0
        ld      (badhere),hl
        ld      a,HOME
        ld      (page),a
        ld      hl,0xE000
        ld      (from),hl
        ld      hl,YARD-0xE000
        ld      (length),hl
        jp      shapes

; ---------------------------------------------------------------
; page_trial: A = page. Shows it in window 2, tries it, tells.
page_trial:
        ld      (page),a
        out     (PG2),a
        out     (LAMPS),a
        ld      hl,0
        ld      (badhere),hl
        ld      hl,w_page
        call    say
        ld      a,(page)
        call    hex2
        ld      hl,w_colon
        call    say
        ld      hl,TRIAL
        ld      (from),hl
        ld      hl,PAGELEN
        ld      (length),hl
        call    lines
        call    shapes
        call    sum
        ld      hl,w_sum
        call    say
        ld      hl,(total)
        call    hex4
        jp      verdict

; ---------------------------------------------------------------
; lines: address lines A0-A12. Each power of two gets its own value,
; the base gets another; then all must still be there.
lines:  ld      a,0x5C
        ld      (TRIAL),a
        ld      de,1
        ld      c,1
lines1: ld      hl,TRIAL
        add     hl,de
        ld      (hl),c
        inc     c
        call    double
        jr      nz,lines1
        ld      de,1
        ld      c,1
lines2: ld      hl,TRIAL
        add     hl,de
        ld      a,c
        cp      (hl)
        call    nz,fault
        inc     c
        call    double
        jr      nz,lines2
        ld      hl,TRIAL
        ld      a,0x5C
        cp      (hl)
        call    nz,fault
        ld      hl,w_lines
        jp      say

; double: DE = 2*DE; Z when it has left the page
double: sla     e
        rl      d
        ld      a,d
        and     0x20
        xor     0x20
        ret

; ---------------------------------------------------------------
; shapes: every shape of shape_tab over from/length: lay, then look
shapes: ld      ix,shape_tab
shape1: ld      l,(ix+0)
        ld      h,(ix+1)
        ld      a,h
        or      l
        ret     z                       ; end of the table
        push    hl
        pop     iy                      ; IY = what gives the byte for HL
        call    lay
        call    look
        ld      l,(ix+2)                ; its name
        ld      h,(ix+3)
        call    say
        ld      de,4
        add     ix,de
        jr      shape1

lay:    ld      hl,(from)
        ld      bc,(length)
lay1:   call    by_iy
        ld      (hl),a
        inc     hl
        dec     bc
        ld      a,b
        or      c
        jr      nz,lay1
        ret

look:   ld      hl,(from)
        ld      bc,(length)
look1:  call    by_iy
        cp      (hl)
        call    nz,fault
        inc     hl
        dec     bc
        ld      a,b
        or      c
        jr      nz,look1
        ret

by_iy:  jp      (iy)

; sum: 16-bit sum of the page on trial into total
sum:    ld      hl,(from)
        ld      bc,(length)
        ld      de,0
sum1:   ld      a,(hl)
        add     a,e
        ld      e,a
        jr      nc,sum2
        inc     d
sum2:   inc     hl
        dec     bc
        ld      a,b
        or      c
        jr      nz,sum1
        ld      (total),de
        ret

; ---------------------------------------------------------------
; tags: write each page's number into it, all first, then look
tags:   ld      hl,w_tags
        call    say
        ld      hl,0
        ld      (badhere),hl
        ld      b,COUNT
        ld      a,FIRST
tags1:  out     (PG2),a
        ld      (TRIAL+0x123),a
        inc     a
        djnz    tags1
        ld      b,COUNT
        ld      a,FIRST
tags2:  out     (PG2),a
        ld      hl,TRIAL+0x123
        ld      (page),a
        cp      (hl)
        call    nz,fault
        ld      a,(page)
        inc     a
        djnz    tags2
        jp      verdict

; ---------------------------------------------------------------
; fault: A wanted, (HL) found. Counts; tells the first four of a page.
; All registers as they were.
fault:  push    af
        push    bc
        push    de
        push    hl
        ld      c,a
        ld      de,(faults)
        inc     de
        ld      a,d
        or      e
        jr      z,fault1                ; stays at FFFFh
        ld      (faults),de
fault1: ld      de,(badhere)
        inc     de
        ld      (badhere),de
        ld      a,d
        or      a
        jr      nz,fault2
        ld      a,e
        cp      5
        call    c,tell_fault
fault2: pop     hl
        pop     de
        pop     bc
        pop     af
        ret

        .section .vars,"aw",@nobits
        .globl  page, from, length, total, faults, badhere
page:   .space  1
from:   .space  2
length: .space  2
total:  .space  2
faults: .space  2
badhere:
        .space  2
