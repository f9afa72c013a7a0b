; Lookout: the part that looks out for commands.  Runs at F000h, with the EPROM gone.

	.include "cage.inc"

	.equ	width, 64

	.section .mon, "ax"
	.global	enter, warm, putc, getc, puts, hex8, hex16, space, newline, number, complain

enter:
	ld	sp, stack_top
	ld	a, rom_out
	out	(memctl), a	; RAM everywhere from here on
	ld	hl, low_image	; restarts
	ld	de, 0
	ld	bc, low_end - low_image
	ldir
	ld	a, 0x03		; master reset
	out	(acia_ctl), a
	ld	a, 0x09		; /16, 7 bits, even, one stop; no interrupts
	out	(acia_ctl), a
	xor	a
	out	(panel), a
	call	clock_begin
	rst	0x18
	.asciz	"\r\nlookout 0.7\r\n"

; A command is over, or was broken off.
warm:
	ld	sp, stack_top
	rst	0x18
	.asciz	"? "
	call	get_line
	ld	hl, buf
	ld	(cursor), hl
	call	skip
	or	a
	jr	z, warm
	ld	hl, verbs
try_verb:
	ld	a, (hl)
	or	a
	jr	z, unknown
	ld	de, (cursor)
letter:
	ld	a, (hl)
	or	a
	jr	z, name_over
	ex	de, hl
	cp	(hl)
	ex	de, hl
	jr	nz, next_verb
	inc	hl
	inc	de
	jr	letter
name_over:
	ld	a, (de)		; the typed word must end here, too
	cp	'!'
	jr	nc, next_verb
	ld	(cursor), de
	inc	hl
	ld	e, (hl)
	inc	hl
	ld	d, (hl)
	ld	hl, done
	push	hl
	push	de
	ret			; to the command; it returns to done
next_verb:
	ld	a, (hl)
	inc	hl
	or	a
	jr	nz, next_verb
	inc	hl
	inc	hl
	jr	try_verb

done:
	jp	warm

unknown:
	rst	0x18
	.asciz	"peer lay flood carry tot prove leap lamp press hour\r\n"
	jp	warm

; A number is missing or bad.
complain:
	rst	0x18
	.asciz	"number!\r\n"
	jp	warm

; RST 38h: erased or empty memory was executed.
trap:
	pop	hl
	dec	hl
	push	hl
	rst	0x18
	.asciz	"\r\ntrap at "
	pop	hl
	call	hex16
	rst	0x20
	jp	warm

; -------- the line
putc:
	push	af
1:	in	a, (acia_ctl)
	and	0x02		; transmit register empty
	jr	z, 1b
	pop	af
	out	(acia_data), a
	ret

getc:
	in	a, (acia_ctl)
	rrca			; receive register full
	jr	nc, getc
	in	a, (acia_data)
	and	0x7F
	ret

; The text stands behind the RST.
puts:
	ex	(sp), hl
	push	af
1:	ld	a, (hl)
	inc	hl
	or	a
	jr	z, 2f
	rst	0x08
	jr	1b
2:	pop	af
	ex	(sp), hl
	ret

newline:
	ld	a, 13
	rst	0x08
	ld	a, 10
	rst	0x08
	ret

space:
	ld	a, ' '
	rst	0x08
	ret

hex16:
	ld	a, h
	call	hex8
	ld	a, l
hex8:
	push	af
	rrca
	rrca
	rrca
	rrca
	call	nibble
	pop	af
nibble:
	and	0x0F
	add	a, 0x90
	daa
	adc	a, 0x40
	daa
	rst	0x08
	ret

get_line:
	ld	hl, buf
	ld	b, 0
1:	rst	0x10
	cp	13
	jr	z, 3f
	cp	8
	jr	z, 2f
	cp	' '
	jr	c, 1b
	ld	c, a
	ld	a, b
	cp	width - 1
	jr	z, 1b
	ld	(hl), c
	inc	hl
	inc	b
	ld	a, c
	rst	0x08
	jr	1b
2:	ld	a, b
	or	a
	jr	z, 1b
	dec	b
	dec	hl
	rst	0x18
	.asciz	"\b \b"
	jr	1b
3:	ld	(hl), 0
	rst	0x20
	ret

; Cursor to the next character that is no space; A = it.
skip:
	ld	hl, (cursor)
1:	ld	a, (hl)
	cp	' '
	jr	nz, 2f
	inc	hl
	jr	1b
2:	ld	(cursor), hl
	ret

; HL = next hex number of the line; carry: none.  Spoils A, DE.
number:
	call	skip
	ex	de, hl		; DE walks
	ld	hl, 0
	call	digit
	ret	c
1:	add	hl, hl
	add	hl, hl
	add	hl, hl
	add	hl, hl
	or	l
	ld	l, a
	inc	de
	call	digit
	jr	nc, 1b
	ld	(cursor), de
	or	a
	ret
digit:
	ld	a, (de)
	sub	'0'
	ret	c
	cp	10
	ccf
	ret	nc
	sub	'a' - '0' - 10
	cp	10
	ret	c
	cp	16
	ccf
	ret

; Goes to 0000h; RST n at n.
low_image:
	jp	power_on_again
	.skip	5
	jp	putc		; 08h
	.skip	5
	jp	getc		; 10h
	.skip	5
	jp	puts		; 18h
	.skip	5
	jp	newline		; 20h
	.skip	21
	jp	trap		; 38h
low_end:

; RAM's address 0 was called: begin again, the EPROM stays out.
power_on_again:
	jp	enter

	.section .vars, "aw", @nobits
buf:	.skip	width
cursor:	.skip	2
