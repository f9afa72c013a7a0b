; A tide gauge's first lines: enough to have code, data moved to RAM, and equates.
	.equ	CONSOLE, 0x20
	.section .text
	.globl	start
	.type	start, @function
start:	ld	sp, stack_top
	ld	hl, level_rom
	ld	de, level
	ld	bc, level_size
	ldir
	call	console_init
.Lforever:
	call	read_level
	jr	.Lforever
	.size	start, . - start

	.type	console_init, @function
console_init:
	ld	a, 0x18
	out	(CONSOLE), a
	ret
	.size	console_init, . - console_init

read_level:
1:	in	a, (CONSOLE)
	and	1
	jr	z, 1b
	ld	a, (level)
	inc	a
	ld	(level), a
	ret

	.section .data
	.globl	level
	.type	level, @object
level:	.byte	7, 8, 9
	.size	level, . - level

	.section .bss
count:	.skip	2
	.skip	32
stack_top:
