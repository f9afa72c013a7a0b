; ---------------------------------------------------------------------
; slackwater: the tide watcher. Asleep nearly always. Every two seconds
; the CTC wakes it; it looks at the tide; once a minute it may say a line.
; ---------------------------------------------------------------------
    .include "sw_defs.inc"

    .section .reset, "ax"
    .globl _reset
_reset:
    di
    im   2
    ld   sp, stack_top
    jp   _cold
    .org 0x66
_nmi:
    retn

    .section .text, "ax"
_cold:
; bss to zero, data from prom
    ld   hl, bss_run
    ld   de, bss_run + 1
    ld   bc, bss_size - 1
    ld   (hl), 0
    ldir
    ld   hl, data_load
    ld   de, data_run
    ld   bc, data_size
    ldir
; vectors live in ram: first everything "unwanted", then ours
    ld   hl, ivt
    ld   b, 16
1:  ld   (hl), unwanted & 0xff
    inc  hl
    ld   (hl), unwanted >> 8
    inc  hl
    djnz 1b
    ld   a, ivt >> 8
    ld   i, a
    ld   hl, wake_isr
    ld   (ivt + vec_ctc + 2), hl
    ld   hl, line_tx
    ld   (ivt + vec_sio + 8), hl      ; A: buffer empty
    ld   hl, line_es
    ld   (ivt + vec_sio + 10), hl     ; A: external/status
    ld   hl, line_rx
    ld   (ivt + vec_sio + 12), hl     ; A: received
    ld   hl, line_bad
    ld   (ivt + vec_sio + 14), hl     ; A: special

    call line_open
    call tide_open
    call wake_open
    ei
    ld   hl, s_hello
    call line_puts

; --- forever: sleep, and see what has happened meanwhile
watch:
    di
    ld   a, (woken)
    or   a
    jr   nz, look
    ld   a, (line_key)
    or   a
    jr   nz, asked
    ei                     ; takes effect behind the halt: no wake is lost
    halt
    jr   watch

look:
    dec  a
    ld   (woken), a
    ei
    call tide_step
    ld   hl, minute_left
    dec  (hl)
    jr   nz, watch
    ld   (hl), wakes_per_minute
    ld   hl, (minutes)
    inc  hl
    ld   (minutes), hl
    call tide_tell
    jr   watch

asked:
    xor  a
    ld   (line_key), a
    ei
    call tell_level
    jr   watch

    .section .rodata, "a"
s_hello:
    .asciz "\r\nslackwater: on watch, one look in two seconds, any key asks\r\n"

    .section .data, "aw"
minute_left:
    .byte wakes_per_minute

    .section .bss, "aw", @nobits
    .globl minutes, woken
minutes: .space 2
woken:   .space 1

    .section .ivt, "aw", @nobits
    .globl ivt
ivt: .space 32
