; Flash 0000h-006Fh: what the CPU meets at fixed addresses.
;
; Window 0 shows flash page 0 for ever, with paging on or off, so reset, the restarts, the
; mode 1 entry and NMI hold whatever RAM contains.

        .include "defs.inc"

        .section .restarts, "ax"
        .global reset

reset:  di
        jp boot

; Nothing here uses a restart; reaching one means that data was executed. The byte after
; the CALL tells panic which one it was.
        .macro stray address, code
        .org \address, 0xFF
        call panic
        .byte \code
        .endm

        stray 0x08, PANIC_RST08
        stray 0x10, PANIC_RST10
        stray 0x18, PANIC_RST18
        stray 0x20, PANIC_RST20
        stray 0x28, PANIC_RST28
        stray 0x30, PANIC_RST30

; Mode 1 lands here. Whoever owns mode 1 puts his address into rst38_hook.
        .org 0x38, 0xFF
rst38_entry:
        push hl
        ld hl, (rst38_hook)
        ex (sp), hl
        ret

        stray 0x66, PANIC_NMI

        .section .text, "ax"
        .global stray_rst38
stray_rst38:
        call panic
        .byte PANIC_RST38

        .section .bss
        .global rst38_hook
rst38_hook: .space 2
