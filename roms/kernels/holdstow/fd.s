; the floppy, 765 without DMA, 250 kbit/s, polled. Carry: failed, and why is in error.
        .include "hold.inc"
        .section .text,"ax"
        .globl  fd_start, fd_stop, fd_format, fd_put, fd_get

fd_start:
        outp    FD_OUT, 0               ; hold it in reset
        outp    FD_RATE, 2              ; 250 kbit/s
        outp    FD_OUT, 0x1C            ; motor A, run
        ld      bc, 1000                ; reset's own look at the drives
        call    pause
        ld      b, 4                    ; it tells of four drives after reset
fds1:   push    bc
        call    sense
        pop     bc
        ret     c
        djnz    fds1
        ld      hl, c_times
        call    command
        ret     c
        ld      b, 5                    ; half a second for the motor
fds2:   push    bc
        ld      bc, 24000
        call    pause
        pop     bc
        djnz    fds2
        ld      b, 2                    ; the 765 gives up after 77 steps: twice
fds3:   push    bc
        ld      hl, c_home
        call    command
        call    nc, arrived
        pop     bc
        jr      nc, fds4
        djnz    fds3
        ret
fds4:   ld      hl, c_seek
        call    command
        ret     c
        call    arrived
        ret     c
        ld      bc, 2500                ; let the head settle
        jr      pause

fd_stop:
        outp    FD_OUT, 0x0C
        ret

pause:  dec     bc                      ; 26 T a turn
        ld      a, b
        or      c
        jr      nz, pause
        ret

; wait until the drive no longer seeks, then ask; all must be well and at its place
arrived:
        ld      b, 8
        ld      de, 0
arr1:   in      a, (FD_STAT)
        and     0x0F
        jr      z, arr2
        dec     de
        ld      a, d
        or      e
        jr      nz, arr1
        djnz    arr1
        jr      lost
arr2:   call    sense
        ret     c
        ld      a, (result)
        and     0xF8
        cp      0x20                    ; seek end, nothing else
        ret     z
lost:   ld      a, E_SEEK
        jr      fd_fail

sense:  ld      hl, c_sense
        call    command
        ret     c
; results into result, until it asks for a command again
results:
        ld      hl, result
res1:   ld      de, 0
res2:   in      a, (FD_STAT)
        rlca
        jr      c, res3
        dec     de
        ld      a, d
        or      e
        jr      nz, res2
        jr      mute
res3:   rlca                            ; DIO
        ret     nc
        in      a, (FD_DATA)
        ld      (hl), a
        inc     hl
        jr      res1

; a command: its length, its bytes
command:
        ld      b, (hl)
cmd1:   inc     hl
        ld      c, (hl)
        call    send
        ret     c
        djnz    cmd1
        or      a
        ret

send:   ld      de, 0
send1:  in      a, (FD_STAT)
        and     0xC0
        cp      0x80
        jr      z, send2
        dec     de
        ld      a, d
        or      e
        jr      nz, send1
mute:   ld      a, E_MUTE
fd_fail:
        ld      (error), a
        scf
        ret
send2:  ld      a, c
        out     (FD_DATA), a
        or      a
        ret

; put or get the sector named in c_put or c_get, three tries
fd_put: ld      b, 3
fdp1:   push    bc
        call    put1
        pop     bc
        ret     nc
        djnz    fdp1
        ret
put1:   ld      a, 0x45                 ; write, MFM
        call    aim
        ret     c
        ld      hl, (here)
        ld      bc, 512
        call    give
        ld      a, E_WRITE
        jr      ended

fd_get: ld      b, 3
fdg1:   push    bc
        call    get1
        pop     bc
        ret     nc
        djnz    fdg1
        ret
get1:   ld      a, 0x46                 ; read, MFM
        call    aim
        ret     c
        ld      hl, back
        ld      bc, 512
        call    take
        ld      a, E_READ
ended:  ret     c
        push    af
        out     (FD_TC), a              ; enough
        call    results
        pop     bc
        ret     c
        ld      a, (result)
        and     0xC0
        ret     z
        ld      a, b
        jr      fd_fail

; command A for the sector
aim:    ld      hl, c_move+1
        ld      de, order+1
        ld      bc, 9
        ldir
        ld      (order+1), a
        ld      a, 9
        ld      (order), a
        ld      a, (sector)
        ld      (order+5), a
        ld      (order+7), a            ; it is the last, too
        ld      hl, order
        jp      command

fd_format:
        ld      hl, ids                 ; cylinder, head, number, size of nine sectors
        ld      bc, 9 << 8 | 1
form1:  ld      (hl), CYL
        inc     hl
        ld      (hl), 0
        inc     hl
        ld      (hl), c
        inc     hl
        ld      (hl), 2
        inc     hl
        inc     c
        djnz    form1
        ld      hl, c_form
        call    command
        ret     c
        ld      hl, ids
        ld      bc, 36
        call    give
        ld      a, E_FORM
        jr      ended

; BC bytes from HL while it executes
give:   ld      de, 0
give1:  in      a, (FD_STAT)
        rlca
        jr      c, give2
        dec     de
        ld      a, d
        or      e
        jr      nz, give1
        jp      mute
give2:  bit     6, a                    ; NDM: still executing?
        ret     z
        ld      a, (hl)
        out     (FD_DATA), a
        inc     hl
        dec     bc
        ld      a, b
        or      c
        jr      nz, give
        ret

; BC bytes to HL while it executes
take:   ld      de, 0
take1:  in      a, (FD_STAT)
        rlca
        jr      c, take2
        dec     de
        ld      a, d
        or      e
        jr      nz, take1
        jp      mute
take2:  bit     6, a
        jr      z, over
        in      a, (FD_DATA)
        ld      (hl), a
        inc     hl
        dec     bc
        ld      a, b
        or      c
        jr      nz, take
over:   or      a
        ret

c_times:.byte   3, 0x03, 0xDF, 0x03     ; step 6 ms at this rate, no DMA
c_home: .byte   2, 0x07, 0x00
c_seek: .byte   3, 0x0F, 0x00, CYL
c_sense:.byte   1, 0x08
c_move: .byte   9, 0, 0, CYL, 0, 0, 2, 0, 0x1B, 0xFF
c_form: .byte   6, 0x4D, 0, 2, 9, 0x50, 0xF6

        .section .bss,"aw",@nobits
result: .space  8
order:  .space  10
ids:    .space  36
