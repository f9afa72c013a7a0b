; Start-up in order, then processes: spawn, exit, kill.

        .include "defs.inc"

        .section .text, "ax"
        .global kernel_main, spawn, proc_exit, kill_process, find_process

kernel_main:
        call vectors_init
        call console_probe              ; sets the interrupt mode that its driver wants
        ei
        ld hl, text_banner
        call con_puts
        call memory_size
        call memory_report
        call romdisk_mount
        ld hl, file_motd
        call romdisk_type
        call timer_init
        call clock_probe
        call card_probe
        call display_probe
        ld hl, proc_table + (PROC_COUNT - 1) * PROC_SIZE
        ld (sched_last), hl             ; so that the first entry runs first
        ld hl, shell_main
        ld de, name_shell
        call spawn
        di
        jp sched_next                   ; this stack becomes the idle loop's

; Start a process at HL with the name at DE. Returns its number in A, or carry set when the
; table is full. The process begins with all registers 0 and ends when it returns.
;
; Painting a stack takes 8000 T-states, too long with interrupts off. So the entry is taken
; first, as waiting for an event that nobody signals, and made ready last.
spawn:  push ix
        push hl
        push de
        di
        call find_free
        jr c, 9f
        ld (ix + P_ID), 0
        ld (ix + P_EVENT), 0
        ld (ix + P_EVENT + 1), 0
        ld (ix + P_STATE), WAITING
        ei
        call paint_stack
        ld bc, proc_exit
        call push_word
        pop de
        pop bc                          ; entry point
        push bc
        push de
        call push_word
        ld b, 20                        ; AF BC DE HL IX IY AF' BC' DE' HL', see sched.s
1:      dec hl
        ld (hl), 0
        djnz 1b
        ld (ix + P_SP), l
        ld (ix + P_SP + 1), h
        ld (ix + P_NAME), e
        ld (ix + P_NAME + 1), d
        ld (ix + P_WIN2), PAGE_DISK
        ld (ix + P_USED), b             ; B is 0
        ld (ix + P_USED + 1), b
        ld (ix + P_USED + 2), b
        call next_id
        ld (ix + P_ID), a
        ld (ix + P_STATE), READY
        or a
9:      ei
        pop de
        pop hl
        pop ix
        ret

; Store BC below HL, as PUSH would.
push_word:
        dec hl
        ld (hl), b
        dec hl
        ld (hl), c
        ret

; IX = a free entry, A = its slot; carry set when there is none.
find_free:
        ld ix, proc_table
        ld de, PROC_SIZE
        xor a
1:      ld b, (ix + P_STATE)
        inc b
        djnz 2f                         ; not FREE, which is 0
        or a
        ret
2:      add ix, de
        inc a
        cp PROC_COUNT
        jr nz, 1b
        scf
        ret

; Paint the stack of slot A. Returns HL = one past its top.
paint_stack:
        ld hl, proc_stacks
        add a, h
        ld h, a
        ld b, 0
1:      ld (hl), STACK_PAINT
        inc hl
        djnz 1b
        ret

; A = the next process number: 1 to 255, then from 2 again, as 1 stays the shell's.
next_id:
        ld a, (last_id)
        inc a
        jr nz, 1f
        ld a, 2
1:      ld (last_id), a
        ret

; The running process ends. Its entry point returns to here.
proc_exit:
        di
        ld hl, (cur_proc)
        ld (hl), FREE
        jp sched_next

; IX = the entry of process A; carry set when there is none. Call with interrupts off.
find_process:
        ld ix, proc_table
        ld de, PROC_SIZE
        ld b, PROC_COUNT
1:      cp (ix + P_ID)
        jr nz, 2f
        ld c, (ix + P_STATE)
        inc c
        dec c
        jr z, 2f
        or a
        ret
2:      add ix, de
        djnz 1b
        scf
        ret

; End process A. Carry set when there is none of that number.
kill_process:
        push ix
        di
        call find_process
        jr c, 1f
        ld (ix + P_STATE), FREE
1:      ei
        pop ix
        ret

text_banner:
        .ascii "\r\nTidewater 1.5, harbour tide-gauge logger\r\n\0"
file_motd:
        .asciz "motd"
name_shell:
        .asciz "shell"

        .section .bss
        .global proc_table, cur_proc
        .balign 256                     ; sched_next wraps by clearing bit 7 of the address
proc_table: .space PROC_COUNT * PROC_SIZE
cur_proc: .space 2                      ; entry of the running process, 0 while idle
last_id: .space 1

        .section .stacks, "aw", @nobits
        .global proc_stacks
proc_stacks: .space PROC_COUNT * STACK_SIZE
