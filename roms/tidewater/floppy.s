; The floppy driver: a 765-class controller, drive 0, sectors of 512 bytes, no DMA, no use of
; terminal count: EOT names the last sector wanted, and "end of cylinder" is the good ending.
;
; The motor spins up while the caller sleeps on the tick. A seek is waited for on the
; controller's interrupt when it is wired to CTC channel 1 (floppy_reset finds out), else by
; asking at every tick. A transfer is polled with interrupts off: at 250 kbit/s a byte must be
; taken within 26 us, and the tick alone takes longer. So the clock loses the ticks of a
; transfer but one, up to 400 ms of them while the sector is looked for.
;
; Routines that can fail come back with carry set and HL = the text that says why.

        .include "defs.inc"

        .equ RUN, 0x0C                  ; out of reset, interrupt let through, drive 0
        .equ RUN_MOTOR, 0x1C
        .equ SPIN_UP, 50                ; ticks
        .equ TRIES, 5

        .section .text, "ax"
        .global floppy_begin, floppy_end, floppy_rate, floppy_identify, floppy_format
        .global floppy_transfer, no_turn, text_no_controller

; Reset the controller, see whether its interrupt arrives, and tell it its times.
floppy_reset:
        ld a, VEC_CTC + 2
        ld hl, floppy_isr
        di
        call vector_set
        ei
        ld a, 0xD7                      ; CTC 1: interrupt, count rising edges, constant follows
        out (CTC_0 + 1), a
        ld a, 1
        out (CTC_0 + 1), a
        xor a
        ld (fdc_called), a
        ld (fdc_known), a
        out (FDC_OUTPUT), a             ; hold it in reset
        dec a
        ld (fdc_cylinder), a            ; FFh: nobody knows where the head stands
        ld a, RUN
        out (FDC_OUTPUT), a
        ld bc, 0x000A
1:      djnz 1b                         ; ten times 3328 T-states: 5 ms
        dec c
        jr nz, 1b
        in a, (FDC_STATUS)
        cp 0x80
        ld hl, text_no_controller
        scf
        ret nz
        ld a, (fdc_called)
        ld (fdc_wired), a
        ld b, 4                         ; out of reset, each drive asks once
2:      push bc
        call sense_interrupt
        pop bc
        djnz 2b
        ld hl, cmd_specify
        ld b, 3
        call fdc_send
        ld hl, text_no_controller
        ret c
        ld hl, templates
        ld de, cmd_seek
        ld bc, cmd_end - cmd_seek
        ldir
        ld a, 1
        ld (fdc_known), a
        or a
        ret

; Bring the drive up to speed. Carry set when there is no controller or no disk.
floppy_begin:
        ld a, (fdc_known)
        or a
        call z, floppy_reset
        ret c
        ld a, RUN_MOTOR
        out (FDC_OUTPUT), a
        ld hl, SPIN_UP
        call sleep_ticks
        in a, (FDC_RATE)
        rla
        ret nc
        xor a                           ; another disk: what was attached is not there any more
        ld (volume_kind), a
        ld a, 1                         ; the line goes back at a step with a disk in the drive
        call seek
        call recalibrate
        in a, (FDC_RATE)
        rla
        ret nc
        call floppy_end
        ld hl, text_no_disk
        scf
        ret

; Stop the motor. Saves AF and HL.
floppy_end:
        push af
        ld a, RUN
        out (FDC_OUTPUT), a
        pop af
        ret

; Choose the data rate: A = 2 for 250 kbit/s, 0 for 500.
floppy_rate:
        out (FDC_RATE), a
        ret

; Look for any sector ID on cylinder 0. Carry set when none comes by: another rate, or nothing
; is recorded. The controller gives up after two turns, or never if the disk does not turn.
floppy_identify:
        call recalibrate
        ret c
        ld hl, cmd_read_id
        ld b, 2
        call fdc_send
        ld b, 100
1:      push bc
        ld hl, 1
        call sleep_ticks
        pop bc
        in a, (FDC_STATUS)
        and FDC_RQM_DIO
        cp FDC_RQM_DIO
        jr z, 2f
        djnz 1b
        jr no_turn
2:      call fdc_result
        ld hl, text_no_id
        ld a, (result)
        and 0xC0
        ret z
        scf
        ret

; The controller waits for an index that does not come: only a reset helps.
no_turn:
        xor a
        ld (fdc_known), a
        ld hl, text_no_turn
        scf
        ret

; Transfer E sectors at HL: A = FDC_READ or FDC_WRITE; fdc_c, fdc_h, fdc_r name the first, all
; are on one track. Tries again, from track 0 if need be.
floppy_transfer:
        ld (fdc_command), a
        ld (fdc_buffer), hl
        ld a, (fdc_r)
        add a, e
        dec a
        ld (fdc_eot), a
        ld a, TRIES
1:      ld (fdc_tries), a
        ld a, (fdc_c)
        call seek
        ret c
        ld hl, cmd_transfer
        ld b, 9
        call execute
        ret c
        call ended_well
        ret nc
        ld a, (result + 1)
        bit 1, a
        ld hl, text_protected
        scf
        ret nz
        ld a, (fdc_tries)
        cp TRIES - 1
        call z, recalibrate
        ld a, (fdc_tries)
        dec a
        jr nz, 1b
        ld hl, text_bad_sector
        scf
        ret

; Format the track fdc_c, fdc_h with A sectors, gap C. FDC_BUFFER is used.
floppy_format:
        ld (format_count), a
        ld b, a
        ld a, c
        ld (format_gap), a
        ld a, (fdc_c)
        call seek
        ret c
        ld a, FDC_FORMAT
        ld (fdc_command), a
        ld hl, FDC_BUFFER
        ld (fdc_buffer), hl
        ld c, 1
1:      ld a, (fdc_c)
        ld (hl), a
        inc hl
        ld a, (fdc_h)
        ld (hl), a
        inc hl
        ld (hl), c
        inc hl
        ld (hl), 2
        inc hl
        inc c
        djnz 1b
        ld hl, cmd_format
        ld b, 6
        call execute
        ret c
        ld a, (result)
        and 0xC0
        ret z
        ld a, (result + 1)
        bit 1, a
        ld hl, text_protected
        scf
        ret nz
        ld hl, text_bad_track
        ret

; Carry clear when the result is good: normal, or only the end of the cylinder, which is how a
; transfer ends that nobody stops.
ended_well:
        ld hl, (result)                 ; L = ST0, H = ST1
        ld a, l
        and 0xC0
        ret z
        cp 0x40
        jr nz, 1f
        ld a, h
        cp 0x80
        jr nz, 1f
        ld a, (result + 2)
        and 0x7F
        ret z
1:      scf
        ret

; Move the head to cylinder A, if it is not there. Carry set when it cannot.
seek:   ld hl, fdc_cylinder
        cp (hl)
        ret z
        ld (cmd_seek + 2), a
        ld a, (hl)
        inc a
        jr nz, 1f
        call recalibrate
        ret c
1:      xor a
        ld (fdc_called), a
        ld hl, cmd_seek
        ld b, 3
        call fdc_send
        call nc, seek_end
        ld hl, text_no_seek
        ret c
        ld a, (result + 1)
        ld (fdc_cylinder), a
        ld hl, cmd_seek + 2
        cp (hl)
        ret z
        ld hl, text_no_seek
        scf
        ret

; Move the head to cylinder 0. One command gives up after 77 steps, so a second may be needed.
recalibrate:
        ld b, 2
1:      push bc
        xor a
        ld (fdc_called), a
        ld hl, cmd_recalibrate
        ld b, 2
        call fdc_send
        call nc, seek_end
        pop bc
        jr c, 2f
        ld a, (result)
        and 0xD0                        ; ended well, and no equipment check
        ld (fdc_cylinder), a            ; 0 if so
        ret z
        djnz 1b
2:      ld a, 0xFF
        ld (fdc_cylinder), a
        ld hl, text_no_seek
        scf
        ret

; Wait until a seek or recalibrate has ended; its two result bytes are in `result`.
seek_end:
        ld b, 150
1:      push bc
        call seek_pause
2:      call sense_interrupt
        pop bc
        ld a, (result)
        bit 5, a
        ret nz                          ; with carry clear, as it was
        cp 0x80
        push bc
        jr nz, 2b                       ; something else was pending: ask on
        pop bc
        djnz 1b
        scf
        ret

; Wait for the controller's interrupt, or where that is not wired for the next tick.
seek_pause:
        ld a, (fdc_wired)
        or a
        ld hl, 1
        jp z, sleep_ticks
        di
        ld a, (fdc_called)
        or a
        ld hl, fdc_called
        call z, sched_wait
        xor a
        ld (fdc_called), a
        ei
        ret

; The controller raised its line.
floppy_isr:
        push af
        push bc
        push de
        push hl
        ld hl, fdc_called
        ld (hl), 1
        call wakeup
        pop hl
        pop de
        pop bc
        pop af
        ei
        reti

cmd_specify:
        .byte 0x03, 0xDF, 0x03          ; 500 kbit/s: step 3 ms, load 2 ms, no DMA; 250: double
cmd_read_id:
        .byte 0x4A, 0
cmd_recalibrate:
        .byte 0x07, 0
templates:                              ; what is filled in while running is 0 here
        .byte 0x0F, 0, 0                        ; seek: unit, cylinder
        .byte 0, 0, 0, 0, 0, 2, 0, 0x1B, 0xFF   ; transfer: unit, C, H, R, 512 bytes, EOT, gap
        .byte 0, 0, 2, 0, 0, 0xF6               ; format: unit, 512 bytes, sectors, gap, filler

text_no_controller:
        .asciz "no floppy controller answers\r\n"
text_no_disk:
        .asciz "no disk in the drive\r\n"
text_no_turn:
        .asciz "the disk does not turn\r\n"
text_no_id:
        .asciz "the disk is not formatted, try disk make\r\n"
text_no_seek:
        .asciz "the drive does not find its track\r\n"
text_protected:
        .asciz "the disk is write-protected\r\n"
text_bad_sector:
        .asciz "a sector cannot be used\r\n"
text_bad_track:
        .asciz "a track cannot be formatted\r\n"

        .section .bss
        .global fdc_c, fdc_h, fdc_r, fdc_known, fdc_buffer, fdc_command, result
fdc_known: .space 1                     ; the controller has been reset and answers
fdc_wired: .space 1                     ; its interrupt arrives
fdc_called: .space 1                    ; it has arrived; the event to wait for, too
fdc_cylinder: .space 1                  ; where the head is, FFh: not known
fdc_buffer: .space 2
fdc_tries: .space 1
result: .space 8
fdc_command: .space 1
cmd_seek: .space 3
cmd_transfer: .space 2
fdc_c:  .space 1
fdc_h:  .space 1
fdc_r:  .space 1
        .space 1
fdc_eot: .space 1
        .space 2
cmd_format: .space 3
format_count: .space 1
format_gap: .space 1
        .space 1
cmd_end:
