; From reset to a stack: page registers, a RAM check, cleared variables.
;
; At reset every window shows flash page 0 and the page registers hold random values. All
; eight are written before paging goes on. This code runs in window 0, whose page does not
; change at that moment, and uses no RAM before boot_ram_ok.

        .include "defs.inc"

        .section .text, "ax"
        .global boot

boot:   ld hl, boot_pages
        ld bc, 0x0800 + PORT_PAGE
1:      ld a, (hl)
        out (c), a
        inc hl
        inc c
        djnz 1b
        ld a, 1
        out (PORT_PAGING), a

        ; Two patterns at two addresses: one address alone would be remembered by the
        ; bus capacitance when no RAM answers.
        ld hl, 0xAA55
        ld (vector_table), hl
        ld hl, 0x55AA
        ld (vector_table + 2), hl
        ld hl, (vector_table)
        ld a, l
        sub 0x55
        ld b, a
        ld a, h
        sub 0xAA
        or b
        jr z, boot_ram_ok
boot_no_ram:
        halt                            ; no RAM in window 7: no stack, nothing can be said
        jr boot_no_ram

boot_ram_ok:
        ld sp, idle_stack_top
        ld hl, bss_start
        ld de, bss_start + 1
        ld bc, bss_size - 1
        ld (hl), 0
        ldir                            ; runs over the idle stack too: nothing is on it yet
        ld hl, proc_stacks
        ld de, proc_stacks + 1
        ld bc, PROC_COUNT * STACK_SIZE - 1
        ld (hl), STACK_PAINT
        ldir
        ld hl, boot_pages
        ld de, page_shadow
        ld bc, 8
        ldir
        ld hl, stray_rst38
        ld (rst38_hook), hl
        jp kernel_main

; Windows 0 and 1 run the kernel and the shell from flash. Window 2 travels: ROM disk, gauge
; log, memory sizing. Windows 3 to 6 are plain RAM for later programs. Window 7 holds the
; kernel's variables, the stacks and, in its last 256 bytes, the mode 2 vectors.
boot_pages:
        .byte 0x00, 0x01, PAGE_DISK, PAGE_RAM + 1, PAGE_RAM + 2, PAGE_RAM + 3, PAGE_RAM + 4
        .byte PAGE_RAM

        .section .bss
        .global idle_stack_top
        .space 96
idle_stack_top:
