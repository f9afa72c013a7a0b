; The CompactFlash driver: drive 0 of an ATA task file on eight data lines, by block number.
;
; Nothing is asked of the card before BSY is 0, no byte is moved before DRQ is 1, and after
; each command ERR and DF are looked at. No wait is without an end: two seconds at 6 MHz, as
; some cards take one to write. The scheduler is held meanwhile, for two commands must not mix.
;
; Routines that can fail come back with carry set and HL = the text that says why.

        .include "defs.inc"

        .equ CF_DATA, 0x60
        .equ CF_ERROR, 0x61             ; written: features
        .equ CF_COUNT, 0x62
        .equ CF_LBA0, 0x63
        .equ CF_LBA1, 0x64
        .equ CF_LBA2, 0x65
        .equ CF_HEAD, 0x66
        .equ CF_STATUS, 0x67            ; written: command

        .equ DRDY, 6                    ; bits of the status; bit 7 is BSY
        .equ DRQ, 3
        .equ DF_ERR, 0x21               ; DF and ERR
        .equ LBA_DRIVE_0, 0xE0

        .equ READ_SECTOR, 0x20
        .equ WRITE_SECTOR, 0x30
        .equ IDENTIFY, 0xEC
        .equ SET_FEATURES, 0xEF
        .equ EIGHT_BITS, 0x01           ; feature

        .equ ID_MODEL, CARD_BLOCK + 27 * 2
        .equ ID_ABILITIES, CARD_BLOCK + 49 * 2
        .equ ID_SECTORS, CARD_BLOCK + 60 * 2

        .section .text, "ax"
        .global card_find, card_read, card_write, card_complain, card_model, card_state
        .global card_total, text_busy

; Look for a card and make it ready; card_state tells the outcome. Carry set when there is
; one that does not work, with HL = why.
card_find:
        xor a
        ld (card_state), a
        in a, (CF_STATUS)
        inc a
        ret z                           ; FFh: nobody drives the bus
        call sched_hold
        call start
        jp sched_free

start:  call wait_idle
        ret c
        ld a, LBA_DRIVE_0
        out (CF_HEAD), a
        ld a, 0x55
        out (CF_LBA0), a
        cpl
        out (CF_LBA1), a
        in a, (CF_LBA1)
        ld c, a
        in a, (CF_LBA0)
        cpl
        cp c
        jr nz, 3f                       ; no registers there
        cp 0xAA
        jr nz, 3f
        ld a, EIGHT_BITS
        out (CF_ERROR), a
        ld a, SET_FEATURES
        call command
        call nc, wait_idle
        ret c
        and DF_ERR
        ld hl, text_eight
        scf
        ret nz
        ld a, IDENTIFY
        call command
        ld hl, CARD_BLOCK
        call nc, take_block
        ret c
        ld a, (ID_ABILITIES + 1)
        and 0x02
        ld hl, text_lba
        scf
        ret z
        ld hl, (ID_SECTORS)
        ld (card_total), hl
        ld hl, (ID_SECTORS + 2)
        ld (card_total + 2), hl
        ld hl, ID_MODEL
        ld de, card_model
        ld b, 20
1:      ld c, (hl)                      ; of each word the high byte is the first character
        inc hl
        ld a, (hl)
        inc hl
        ld (de), a
        inc de
        ld a, c
        ld (de), a
        inc de
        djnz 1b
        ex de, hl
2:      dec hl                          ; blanks behind it
        ld a, (hl)
        cp ' '
        jr z, 2b
        inc hl
        ld (hl), 0
        ld a, CARD_FOUND
        ld (card_state), a
3:      or a
        ret

; Read block DEHL into CARD_BLOCK.
card_read:
        call sched_hold
        ld a, READ_SECTOR
        call block_command
        ld hl, CARD_BLOCK
        call nc, take_block
        jp sched_free

; Write CARD_PAGE or CARD_BLOCK, which BC says, as block DEHL.
card_write:
        call sched_hold
        push bc
        ld a, WRITE_SECTOR
        call block_command
        call nc, wait_data
        pop bc
        jp c, sched_free
        ld h, b
        ld l, c
        ld bc, CF_DATA                  ; B = 0: 256 bytes
        otir
        otir
        call ended
        jp sched_free

; Begin command A for block DEHL.
block_command:
        ld c, a
        call wait_idle
        ret c
        bit DRDY, a
        jr z, not_ready
        ld a, l
        out (CF_LBA0), a
        ld a, h
        out (CF_LBA1), a
        ld a, e
        out (CF_LBA2), a
        ld a, d
        or LBA_DRIVE_0
        out (CF_HEAD), a
        ld a, 1
        out (CF_COUNT), a
        ld a, c

; Begin command A. The card must be idle already.
command:
        ex af, af'
        in a, (CF_STATUS)
        ld (status), a
        bit DRDY, a
        jr z, not_ready
        ex af, af'
        out (CF_STATUS), a              ; BSY is there after 400 ns, before it can be looked at
        or a
        ret
not_ready:
        ld hl, text_not_ready
        scf
        ret

; Take the block that the card gives to HL.
take_block:
        push hl
        call wait_data
        pop bc
        ret c
        ld h, b
        ld l, c
        ld bc, CF_DATA
        inir
        inir

; Wait for the end of a command and see how it went.
ended:  call wait_idle
        ret c
        and DF_ERR
        ret z
        jr failed

; Wait until data may be moved.
wait_data:
        call wait_idle
        ret c
        ld c, a
        and DF_ERR
        jr nz, failed
        bit DRQ, c
        ret nz
        ld hl, text_no_data
        scf
        ret

failed: in a, (CF_ERROR)
        ld (error), a
        ld hl, text_error
        scf
        ret

; Wait for BSY = 0; A = the status. Saves BC and DE, and HL unless it fails.
wait_idle:
        push bc
        push de
        ld b, 3
        ld de, 0
1:      in a, (CF_STATUS)
        ld (status), a
        add a, a
        jr nc, 2f
        dec de
        ld a, d
        or e
        jr nz, 1b                       ; 65536 times 61 T-states: 650 ms at 6 MHz
        djnz 1b
        ld hl, text_busy
        scf
2:      ld a, (status)
        pop de
        pop bc
        ret

; Say what went wrong with the card: the text at HL; behind one of this driver's the status, and
; when the card reports an error the error register.
card_complain:
        push hl
        ld hl, text_card
        call con_puts
        pop hl
        push hl
        call con_puts
        pop hl
        ld de, failures_end
        or a
        sbc hl, de
        jp nc, con_newline
        add hl, de
        push hl
        ld hl, text_status
        call con_puts
        ld a, (status)
        call print_hex8
        pop hl
        ld de, text_error
        or a
        sbc hl, de
        jp nz, con_newline
        ld hl, text_register
        call con_puts
        ld a, (error)
        call print_hex8
        jp con_newline

text_card:
        .asciz "CompactFlash: "
text_status:
        .asciz ", status "
text_register:
        .asciz ", error "
text_busy:
        .asciz "still busy after two seconds"
text_not_ready:
        .asciz "not ready"
text_no_data:
        .asciz "moves no data"
text_error:
        .asciz "the command failed"
text_eight:
        .asciz "refuses the 8-bit mode"
text_lba:
        .asciz "knows no block numbers"
failures_end:                           ; all other texts lie behind it

        .section .bss
card_state: .space 1
card_total: .space 4                    ; its sectors
card_model: .space 41
status: .space 1                        ; as it was seen last
error:  .space 1
