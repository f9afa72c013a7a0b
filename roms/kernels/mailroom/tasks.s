; mailroom: the people who work here
        .include "defs.inc"
        .global sampler, filter, printer, summer, shell

        .section .text

; Forty readings in bursts of ten, more than the box holds; a rest between bursts.
sampler:
        ld      ix,box_raw
        ld      de,0xace1
        ld      iy,sent
        ld      c,4
1:      ld      b,10
2:      push    bc
        call    next_reading
        call    q_send
        inc     (iy+0)
        pop     bc
        djnz    2b
        push    de
        push    bc
        ld      de,3
        call    sleep
        pop     bc
        pop     de
        dec     c
        jr      nz,1b
        jp      retire

; de = de shifted right, taps B400h
next_reading:
        srl     d
        rr      e
        ret     nc
        ld      a,d
        xor     0xb4
        ld      d,a
        ret

; A quarter of four readings each goes on.  The sum lives in the other register set.
filter:
        exx
        ld      hl,0
        ld      b,4
        exx
1:      ld      ix,box_raw
        call    q_recv
        ld      hl,received
        inc     (hl)
        push    de
        exx
        pop     de
        srl     d
        rr      e
        srl     d
        rr      e
        add     hl,de
        djnz    2f
        push    hl
        ld      hl,0
        ld      b,4
        exx
        pop     de
        ld      ix,box_mean
        call    q_send
        jr      1b
2:      exx
        jr      1b

; Ten means, each on a line, and their sum at the end.
printer:
        ld      bc,10*256
        ld      iy,0
1:      push    bc
        ld      ix,box_mean
        call    q_recv
        add     iy,de
        call    con_lock
        ld      hl,t_mean
        call    put_text
        call    put_hex
        call    put_crlf
        call    con_free
        pop     bc
        djnz    1b
        call    con_lock
        ld      hl,t_total
        call    put_text
        push    iy
        pop     de
        call    put_hex
        call    put_crlf
        call    con_free
        jp      retire

; Someone who never gives way: adds up the ROM, thirty times.
summer:
        ld      c,30
1:      ld      hl,0
        ld      de,0
2:      ld      a,(hl)
        add     a,e
        ld      e,a
        jr      nc,3f
        inc     d
3:      inc     hl
        ld      a,h
        cp      0x04
        jr      nz,2b
        dec     c
        jr      nz,1b
        ld      (rom_sum),de
        ; fall in

retire:
        di
        ld      hl,retire               ; nobody ever calls this event
        call    block
        jr      retire

; One letter and return: t ticks, l letters, s sum of the ROM.
shell:
        call    con_lock
        ld      hl,t_prompt
        call    put_text
        call    con_free
        ld      e,0
1:      call    get_char
        cp      13
        jr      z,2f
        ld      e,a
        call    put_char
        jr      1b
2:      call    con_lock
        call    put_crlf
        ld      a,e
        ld      de,(ticks)
        ld      hl,t_ticks
        cp      't'
        jr      z,3f
        ld      de,(rom_sum)
        ld      hl,t_sum
        cp      's'
        jr      z,3f
        ld      hl,t_letters
        cp      'l'
        jr      z,4f
        ld      hl,t_what
        call    put_text
        call    con_free
        jr      shell
4:      ld      a,(sent)
        ld      d,a
        ld      a,(received)
        ld      e,a
3:      call    put_text
        call    put_hex
        call    put_crlf
        call    con_free
        jr      shell

t_mean:         .asciz  "mean "
t_total:        .asciz  "total of means "
t_prompt:       .asciz  "mail? "
t_ticks:        .asciz  "ticks "
t_sum:          .asciz  "rom sum "
t_letters:      .asciz  "letters sent, read "
t_what:         .asciz  "t, l or s\r\n"

        .section .bss
box_raw:        ds      Q_SIZE
box_mean:       ds      Q_SIZE
sent:           ds      1
received:       ds      1
rom_sum:        ds      2
