; The controller's bytes: commands, data, results. See floppy.s for what is made of them.

        .include "defs.inc"

        .section .text, "ax"
        .global execute, sense_interrupt, fdc_result, fdc_send

; Send the command at HL, B bytes, after head and unit have been put into its second byte;
; move the data; take the result.
execute:
        ld a, (fdc_command)
        ld (hl), a
        inc hl
        ld a, (fdc_h)
        add a, a
        add a, a
        ld (hl), a
        dec hl
        di
        call fdc_send
        call nc, fdc_data
        ei
        jp c, no_turn
        call fdc_result
        ld a, l
        sub (result + 7) & 0xFF
        ret z                           ; all seven, and carry clear
        ld hl, 0x1040                   ; one of them went as data: too late for the first byte
        ld (result), hl
        or a
        ret

; Wait for the first byte: poll until the status is \ready, then go to \transfer. Seldom, as
; it takes longer, look whether the command has ended, and whether 1.5 s are over.
        .macro await ready, transfer
1:      in a, (FDC_STATUS)
        cp \ready
        jr z, \transfer
        djnz 1b
        cp 0xD0
        ret z                           ; ended without a byte, carry clear
        dec e
        jr nz, 1b
        dec d
        jr nz, 1b
        scf
        ret
        .endm

; Move the data of the execution phase to or from fdc_buffer. Carry set when nothing comes.
;
; T-states count: the controller allows 13 us at 500 kbit/s, 79 T-states at 6.144 MHz. It is 70
; at most to the first byte (but 95 after every 256th poll), and 65 to any other; a byte takes
; 62. An execution that has begun ends by itself.
fdc_data:
        ld hl, (fdc_buffer)
        ld c, FDC_DATA
        ld de, 4 * 256
        ld b, e
        ld a, (fdc_command)
        cp FDC_READ
        jr nz, 4f
        await 0xF0, 2f
2:      ini
3:      in a, (FDC_STATUS)
        add a, a
        jr nc, 3b
        add a, a                        ; sign = still executing
        jp m, 2b
        or a
        ret
4:      await 0xB0, 5f
5:      outi
6:      in a, (FDC_STATUS)
        add a, a
        jr nc, 6b
        add a, a
        jp m, 5b
        or a
        ret

; Ask what the interrupt was: ST0 and cylinder in `result`, 80h when there was none.
sense_interrupt:
        ld hl, cmd_sense
        ld b, 1
        call fdc_send

; Take the result bytes, as many as there are.
fdc_result:
        ld hl, result
        ld bc, 0x0800 + FDC_DATA
1:      in a, (FDC_STATUS)
        add a, a
        jr nc, 1b
        jp p, 2f                        ; it wants a command again
        ini
        jr nz, 1b
2:      or a
        ret

; Send B bytes at HL. Carry set when the controller does not take them.
fdc_send:
        ld c, FDC_DATA
1:      ld de, 0x1000
2:      in a, (FDC_STATUS)
        and FDC_RQM_DIO
        cp 0x80
        jr z, 3f
        dec de
        ld a, d
        or e
        jr nz, 2b
        ld (fdc_known), a
        ld hl, text_no_controller
        scf
        ret
3:      outi
        jr nz, 1b
        or a
        ret

cmd_sense:
        .byte 0x08
