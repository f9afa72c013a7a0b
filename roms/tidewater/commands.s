; Commands on files and processes. Each is called with HL at its arguments.

        .include "defs.inc"

        .section .shell, "ax"
        .global cmd_ls, cmd_cat, cmd_ps, cmd_kill, cmd_sleep, cmd_crash

cmd_ls: call romdisk_first
        ret z
1:      push bc
        push hl
        push hl
        ld de, D_LENGTH
        add hl, de
        ld e, (hl)
        inc hl
        ld d, (hl)
        ex de, hl
        call print_dec5
        call print_space
        pop hl
        call con_puts
        call con_newline
        pop hl
        ld de, D_SIZE
        add hl, de
        pop bc
        djnz 1b
        ret

cmd_cat:
        call romdisk_type
        ret nc
        ld hl, text_no_file
        jp con_puts

; ps: number, state, ticks of CPU, bytes of stack ever used, name.
cmd_ps: ld hl, text_ps
        call con_puts
        ld ix, proc_table
        ld b, 0                         ; slot
1:      ld a, (ix + P_STATE)
        cp FREE
        call nz, show_process
        ld de, PROC_SIZE
        add ix, de
        inc b
        ld a, b
        cp PROC_COUNT
        jr nz, 1b
        ret

; Show the process with entry IX and slot B. Saves BC and IX.
show_process:
        add a, a
        add a, a
        add a, a                        ; eight bytes a state
        ld e, a
        ld d, 0
        ld hl, state_names - 8
        add hl, de
        ex de, hl
        ld l, (ix + P_ID)
        ld h, 0
        call print_dec5
        call print_space
        ex de, hl
        call con_puts
        ld l, (ix + P_USED)
        ld h, (ix + P_USED + 1)
        call print_dec5
        call stack_used
        call print_dec5
        call print_space
        ld l, (ix + P_NAME)
        ld h, (ix + P_NAME + 1)
        call con_puts
        jp con_newline

; HL = bytes of the stack of slot B that have lost their paint.
stack_used:
        ld hl, proc_stacks
        ld a, h
        add a, b
        ld h, a
1:      ld a, (hl)
        cp STACK_PAINT
        jr nz, 2f
        inc l                           ; a stack is one 256-byte page
        jr nz, 1b
2:      xor a
        sub l
        ld l, a
        ld h, 0
        ret

state_names:
        .asciz "ready  "
        .asciz "running"
        .asciz "sleeps "
        .asciz "waits  "

; kill N: end a process, but not the shell, without which nobody could start another.
cmd_kill:
        call parse_number
        jr c, 1f
        ld a, d
        or a
        jr nz, 1f
        ld a, e
        cp 2
        jr c, 1f
        call kill_process
        ret nc
1:      ld hl, text_no_process
        jp con_puts

cmd_sleep:
        call parse_number
        jr c, 2f
        ld a, d
        or e
        jr z, 2f
        ld hl, 600
        sbc hl, de
        jr c, 2f
        ld hl, 0
        ld b, TICKS_PER_SECOND
1:      add hl, de
        djnz 1b
        jp sleep_ticks
2:      ld hl, text_sleep
        jp con_puts

; crash: show what a panic looks like.
cmd_crash:
        call panic
        .byte PANIC_CRASH

text_no_file:
        .asciz "no such file, try ls\r\n"
text_ps:
        .asciz "   ID STATE    CPU STACK NAME\r\n"
text_no_process:
        .asciz "kill wants the number of a process above 1, try ps\r\n"
text_sleep:
        .asciz "sleep wants a number of seconds from 1 to 600\r\n"
