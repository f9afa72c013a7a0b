; Two pages seen through one window at 4000h, and the code that calls them.
	.section .text
	.globl	start
start:	ld	a, 1
	out	(0x52), a
	call	show_tide
	inc	a
	out	(0x52), a
	jp	show_clock

	.section .page1, "ax"
	.globl	show_tide
	.type	show_tide, @function
show_tide:
	ld	hl, tide
	inc	(hl)
	ret
	.size	show_tide, . - show_tide

	.section .page2, "ax"
	.globl	show_clock
	.type	show_clock, @function
show_clock:
	nop
	ld	a, (tide)
	jr	show_clock
	.size	show_clock, . - show_clock

	.section .bss
tide:	.skip	1
