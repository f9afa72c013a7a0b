; The end: say what happened with all registers, without interrupts, and halt.
;
; Called as CALL panic / .byte code. The word above the return address is where the CPU was
; when it strayed: a restart, NMI or interrupt pushed it there.

        .include "defs.inc"

        .section .text, "ax"
        .global panic, panic_halt

panic:  di
        ld (saved_hl), hl
        pop hl
        ld (panic_code), hl             ; its address, for now
        ld (saved_sp), sp
        ex (sp), hl
        ld (saved_pc), hl
        ex (sp), hl
        push af
        pop hl
        ld (saved_af), hl
        ld (saved_bc), bc
        ld (saved_de), de
        ld (saved_ix), ix
        ld (saved_iy), iy
        ld sp, panic_stack_top
        ld hl, (con_poll)
        ld a, h
        or l
        jr z, panic_halt                ; no console yet
        call flush_ring
        ld hl, text_panic
        call put_string
        ld hl, (panic_code)
        ld b, (hl)
        inc b
        ld hl, panic_texts
1:      dec b
        jr z, 2f
        call skip_text
        jr 1b
2:      call put_string
        call put_registers
        ld hl, text_process
        call put_string
        ld hl, (cur_proc)
        ld a, h
        or l
        jr z, 3f
        inc hl                          ; P_ID
        ld a, (hl)
3:      call put_hex8
        ld hl, text_end
        call put_string

panic_halt:
        halt                            ; interrupts are off: only reset or NMI leads on
        jr panic_halt

; What was printed before the panic belongs in front of it.
flush_ring:
        call con_next
        ret c
        call put_char
        jr flush_ring

put_registers:
        ld de, register_names
        ld hl, saved
        ld b, 8
1:      ld a, ' '
        call put_char
        ld a, (de)
        inc de
        call put_char
        ld a, (de)
        inc de
        call put_char
        ld a, '='
        call put_char
        inc hl
        ld a, (hl)
        call put_hex8
        dec hl
        ld a, (hl)
        call put_hex8
        inc hl
        inc hl
        djnz 1b
        ret

put_hex8:
        push af
        rrca
        rrca
        rrca
        rrca
        call 1f
        pop af
1:      call hex_digit

put_char:
        push hl
        ld hl, 1f
        push hl
        ld hl, (con_poll)
        jp (hl)
1:      pop hl
        ret

put_string:
        ld a, (hl)
        inc hl
        or a
        ret z
        call put_char
        jr put_string

skip_text:
        ld a, (hl)
        inc hl
        or a
        jr nz, skip_text
        ret

register_names:
        .ascii "PCSPAFBCDEHLIXIY"
text_panic:
        .asciz "\r\npanic: "
text_process:
        .asciz "\r\n process "
text_end:
        .asciz "; halted\r\n"
panic_texts:
        .asciz "stray RST 08h\r\n"
        .asciz "stray RST 10h\r\n"
        .asciz "stray RST 18h\r\n"
        .asciz "stray RST 20h\r\n"
        .asciz "stray RST 28h\r\n"
        .asciz "stray RST 30h\r\n"
        .asciz "stray RST 38h\r\n"
        .asciz "NMI\r\n"
        .asciz "interrupt with a vector nobody owns\r\n"
        .asciz "the crash command\r\n"

        .section .bss
saved:                                  ; in the order of register_names
saved_pc: .space 2
saved_sp: .space 2
saved_af: .space 2
saved_bc: .space 2
saved_de: .space 2
saved_hl: .space 2
saved_ix: .space 2
saved_iy: .space 2
panic_code: .space 2
        .space 48
panic_stack_top:
