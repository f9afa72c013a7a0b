; The console: receive and transmit rings between processes and one of two drivers.
;
; A driver puts two addresses in here: con_kick starts sending when the chip is idle,
; con_poll sends the character in A without interrupts. Its handlers call con_received and
; con_next. Ring indexes run over 256-byte aligned rings, so they are low address bytes.

        .include "defs.inc"

        .equ RX_SIZE, 64                ; powers of two
        .equ TX_SIZE, 128
        .equ TX_LOW, 32                 ; wake writers when no more than this is left

        .section .text, "ax"
        .global console_probe, con_getc, con_putc, con_puts, con_newline
        .global con_received, con_next

; Find the console chip and start its driver. Comes back with interrupts still off.
console_probe:
        call sio_present
        jp z, sio_init
        call acia_present
        jp z, acia_init

; Neither answers. An ACIA shows "not ready" while CTS is high, so a terminal that is not
; plugged in or not switched on looks like no ACIA: wait for it.
console_wait:
        call acia_ready
        jr nz, console_wait
        jp acia_init

; Wait for a character and return it in A. Saves BC DE HL.
con_getc:
        push hl
1:      di
        ld a, (rx_count)
        or a
        jr nz, 2f
        ld hl, rx_event
        call sched_wait
        jr 1b
2:      dec a
        ld (rx_count), a
        ld hl, rx_tail
        ld a, (hl)
        inc a
        and RX_SIZE - 1
        ld (hl), a
        ld l, a
        ld h, rx_ring >> 8
        ld a, (hl)
        ei
        pop hl
        ret

; Send the character in A. Saves all registers but the flags.
con_putc:
        push hl
        push bc
        ld c, a
1:      di
        ld a, (tx_count)
        cp TX_SIZE
        jr z, 3f
        inc a
        ld (tx_count), a
        ld hl, tx_head
        ld a, (hl)
        inc a
        and TX_SIZE - 1
        ld (hl), a
        ld l, a
        ld h, tx_ring >> 8
        ld (hl), c
        ld hl, 2f
        push hl
        ld hl, (con_kick)
        jp (hl)
2:      ei
        ld a, c
        pop bc
        pop hl
        ret
3:      ld hl, (cur_proc)
        ld a, h
        or l
        jr z, 4f
        ld hl, tx_event
        call sched_wait
        jr 1b
4:      ei                              ; no process yet: turn here until there is room
        nop
        jr 1b

; Send the NUL-terminated string at HL; returns HL past its end. Saves AF.
con_puts:
        push af
1:      ld a, (hl)
        inc hl
        or a
        jr z, 2f
        call con_putc
        jr 1b
2:      pop af
        ret

con_newline:
        push af
        ld a, CR
        call con_putc
        ld a, LF
        call con_putc
        pop af
        ret

; For handlers: take in the character in A. A full ring loses it, as there is nobody to
; tell. Destroys AF BC DE HL.
con_received:
        ld c, a
        ld hl, rx_count
        ld a, (hl)
        cp RX_SIZE
        jr z, 1f
        inc (hl)
        ld hl, rx_head
        ld a, (hl)
        inc a
        and RX_SIZE - 1
        ld (hl), a
        ld l, a
        ld h, rx_ring >> 8
        ld (hl), c
        ld hl, rx_event
        jp wakeup
1:      ld hl, rx_lost
        inc (hl)
        ret

; For handlers: the next character to send in A, or carry set when there is none.
; Destroys AF BC DE HL.
con_next:
        ld hl, tx_count
        ld a, (hl)
        sub 1
        ret c
        ld (hl), a
        cp TX_LOW
        jr nz, 1f
        ld hl, tx_event
        call wakeup
1:      ld hl, tx_tail
        ld a, (hl)
        inc a
        and TX_SIZE - 1
        ld (hl), a
        ld l, a
        ld h, tx_ring >> 8
        ld a, (hl)
        ret                             ; AND left carry clear

        .section .bss
        .global con_kick, con_poll, rx_event, tx_event, rx_lost
        .balign 256
rx_ring: .space RX_SIZE
con_kick: .space 2
con_poll: .space 2
rx_count: .space 1
rx_head: .space 1
rx_tail: .space 1
rx_lost: .space 1                       ; characters lost since boot, modulo 256
tx_count: .space 1
tx_head: .space 1
tx_tail: .space 1
rx_event: .space 1                      ; events are addresses; what is stored does not matter
tx_event: .space 1
        .balign 256
tx_ring: .space TX_SIZE
