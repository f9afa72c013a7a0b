; sluice - a lock keeper's day in two seconds.
; Co-operative jobs; every wait for time hangs in one sorted list (delta queue).

        .include "hw.inc"
        .global _start

        .section .low,"ax"
_start: di
        ld      sp,istack
        im      2
        jp      setup
        .org    0x40
; table at 0040h, so that i = 0; the vectors begin at 40h
        .word   on_tick, on_second, dud, dud    ; ctc
        .word   dud, dud, dud, dud              ; sio takes sixteen: next is 50h
        .word   dud, dud, dud, dud              ; sio channel B
        .word   dud, dud, on_key, on_badkey     ; sio channel A

        .text
setup:  ld      hl,data_load            ; presets come out of the ROM
        ld      de,data_begin
        ld      bc,data_size
        ldir
        xor     a
        ld      hl,bss_begin
        ld      bc,bss_size
1:      ld      (hl),0
        inc     hl
        dec     bc
        ld      a,b
        or      c
        jr      nz,1b

        ld      i,a
        ld      hl,setup_list
2:      ld      a,(hl)                  ; pairs port, byte; port 0 ends it
        or      a
        jr      z,3f
        ld      c,a
        inc     hl
        ld      a,(hl)
        out     (c),a
        inc     hl
        jr      2b
3:      ld      hl,jobs
        ld      (job),hl
        ld      e,(hl)
        inc     hl
        ld      d,(hl)
        ex      de,hl
        ld      sp,hl
        ei
        ret

setup_list:
        .byte   ctc0, 0x40              ; vectors 40-47
        .byte   ctc0, 0xb7, ctc0, 125   ; 4 MHz / 256 / 125 = 125 Hz
        .byte   ctc1, 0xd5, ctc1, 125   ; counts those: one a second
        .byte   aux_c, 0x18
        .byte   ser_c, 0x18
        .byte   ser_c, 4, ser_c, 0x84   ; x32, 1 stop
        .byte   ser_c, 3, ser_c, 0xc1
        .byte   ser_c, 5, ser_c, 0x68   ; no RTS, no DTR on this cable
        .byte   aux_c, 2, aux_c, 0x50   ; the vector lives in B
        .byte   aux_c, 1, aux_c, 0x04   ; and so does status affects vector
        .byte   ser_c, 1, ser_c, 0x18   ; all receive
        .byte   0

; ---- handlers ----------------------------------------------------------------
on_tick:
        push    af
        push    hl
        ld      hl,(ticks)
        inc     hl
        ld      (ticks),hl
        ld      hl,due                  ; only count; the list belongs to the jobs
        inc     (hl)
        pop     hl
        pop     af
        ei
        reti

on_second:
        push    af                      ; inc (hl) sets flags
        push    hl
        ld      hl,seconds
        inc     (hl)
        pop     hl
        pop     af
        ei
        reti

on_key: push    af
        push    hl
        push    de
        in      a,(ser_d)
        ld      e,a
        ld      a,(k_in)
        ld      d,a
        inc     a
        and     7
        ld      hl,k_out
        cp      (hl)
        jr      z,1f                    ; full
        ld      (k_in),a
        ld      a,e
        ld      e,d
        ld      d,0
        ld      hl,k_ring
        add     hl,de
        ld      (hl),a
1:      pop     de
        pop     hl
        pop     af
        ei
        reti

on_badkey:
        push    af
        ld      a,0x30
        out     (ser_c),a
        in      a,(ser_d)
        pop     af
dud:    ei
        reti

        .section .bss
        .global ticks, seconds, due, k_in, k_out, k_ring
ticks:  .space  2
seconds: .space 1
due:    .space  1
k_in:   .space  1
k_out:  .space  1
k_ring: .space  8
