; The banked memory card: window 2, memory sizing, what shows where.
;
; The page registers cannot be read, so page_shadow remembers them.

        .include "defs.inc"

        .section .text, "ax"
        .global win2_set, memory_size, memory_report, cmd_pages

; Show page A in window 2. The shadow goes first: when the tick comes between the two, the
; scheduler saves the new page and shows it on the way back, and the OUT only repeats that.
; The other way round the OUT would be undone.
win2_set:
        ld (page_shadow + 2), a
        out (PORT_WIN2), a
        ret

; Count the RAM pages that are there, the first PAGE_RAM, into ram_pages.
;
; Each page in turn is shown in window 2, where ram_sentinel has a twin. A smaller chip
; answers again under higher page numbers, so its page PAGE_RAM turns up as some later
; page: then writing the twin changes ram_sentinel itself, and counting stops.
memory_size:
        ld c, PAGE_RAM + 1
1:      ld a, c
        call win2_set
        ld hl, WIN2 + ram_sentinel - 0xE000
        ld b, (hl)                      ; put back later: the page may be in use
        xor a
        ld (ram_sentinel), a
        ld (hl), 0x5A
        ld a, (ram_sentinel)
        or a
        jr nz, 2f                       ; an echo of the first page
        ld a, (hl)
        cp 0x5A
        jr nz, 2f
        ld (hl), 0xA5
        ld a, (hl)
        cp 0xA5
        jr nz, 2f
        ld (hl), b
        inc c
        ld a, c
        cp PAGE_END
        jr nz, 1b
2:      ld a, c
        sub PAGE_RAM
        ld (ram_pages), a
        ret

memory_report:
        call print_ram_size
        ld hl, text_ram
        jp con_puts

print_ram_size:
        ld a, (ram_pages)
        ld l, a
        ld h, 0
        add hl, hl
        add hl, hl
        add hl, hl                      ; 8 KiB a page
        jp print_dec

; pages: how much RAM, and the page behind each window.
cmd_pages:
        call memory_report
        ld bc, 0                        ; C = window
1:      ld hl, text_window
        call con_puts
        ld a, c
        call print_digit
        ld hl, text_at
        call con_puts
        ld a, c
        rrca
        rrca
        rrca                            ; window number to the top three address bits
        ld h, a
        ld l, 0
        call print_hex16
        ld hl, page_shadow
        add hl, bc
        ld a, (hl)
        ld hl, text_flash
        cp PAGE_RAM
        jr c, 2f
        ld hl, text_rampage
2:      call con_puts
        call print_hex8
        ld hl, page_uses
        add hl, bc
        add hl, bc
        ld e, (hl)
        inc hl
        ld d, (hl)
        ex de, hl
        call con_puts
        inc c
        ld a, c
        cp 8
        jr nz, 1b
        ret

page_uses:
        .word text_kernel, text_shell, text_travels, text_file, text_file, text_file
        .word text_card, text_data

text_ram:
        .asciz " KiB RAM\r\n"
text_window:
        .asciz "window "
text_at:
        .asciz " at "
text_flash:
        .asciz "  flash page "
text_rampage:
        .asciz "  RAM page   "
text_kernel:
        .asciz "  kernel\r\n"
text_shell:
        .asciz "  shell\r\n"
text_travels:
        .asciz "  travels: ROM disk, gauge log\r\n"
text_file:
        .asciz "  a disk's file, table, folder\r\n"
text_card:
        .asciz "  the card's blocks\r\n"
text_data:
        .asciz "  data, stacks, vectors\r\n"

        .section .bss
        .global page_shadow
page_shadow: .space 8
ram_pages: .space 1
ram_sentinel: .space 1
