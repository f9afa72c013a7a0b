; The clock chip: sixteen registers of four bits, the lower digit first.

	.include "cage.inc"

	.equ	reg_d, clock + 13	; HOLD, BUSY
	.equ	reg_e, clock + 14
	.equ	reg_f, clock + 15

	.section .mon, "ax"
	.global	clock_begin, hour

clock_begin:
	ld	a, 0x05			; 24 hours, while it rests
	out	(reg_f), a
	ld	a, 0x04
	out	(reg_f), a
	ld	a, 0x01			; STD pin off
	out	(reg_e), a
	xor	a
	out	(reg_d), a
	ret

; Hold it still, between carries; the twelve digits to digits.
take:
	ld	a, 0x01
	out	(reg_d), a
	in	a, (reg_d)
	and	0x02			; BUSY
	jr	z, still
	xor	a			; let go, a moment later again
	out	(reg_d), a
	ld	b, 30
1:	djnz	1b
	jr	take
still:
	ld	hl, digits
	ld	c, clock
2:	in	a, (c)
	and	0x0F			; nobody drives the upper half
	ld	(hl), a
	inc	hl
	inc	c
	ld	a, c
	cp	clock + 12
	jr	nz, 2b
	xor	a
	out	(reg_d), a
	ret

; 20yy-mm-dd hh:mm:ss
hour:
	call	take
	ld	hl, digits + 11
	ld	a, '2'
	rst	0x08
	ld	a, '0'
	rst	0x08
	call	pair
	call	dash
	call	pair
	call	dash
	call	pair
	call	space
	call	pair
	call	colon
	call	pair
	call	colon
	call	pair
	jp	newline
pair:
	call	1f
1:	ld	a, (hl)
	dec	hl
	add	a, '0'
	rst	0x08
	ret
dash:
	ld	a, '-'
	rst	0x08
	ret
colon:
	ld	a, ':'
	rst	0x08
	ret

	.section .vars, "aw", @nobits
digits:	.skip	12
