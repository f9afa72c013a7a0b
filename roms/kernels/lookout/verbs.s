; The commands.  Numbers are hex: address, length, byte.

	.include "cage.inc"

	.section .mon, "ax"
	.global	verbs

verbs:
	.asciz	"peer"
	.word	peer
	.asciz	"lay"
	.word	lay
	.asciz	"flood"
	.word	flood
	.asciz	"carry"
	.word	carry
	.asciz	"tot"
	.word	tot
	.asciz	"prove"
	.word	prove
	.asciz	"leap"
	.word	leap
	.asciz	"lamp"
	.word	lamp
	.asciz	"press"
	.word	press
	.asciz	"hour"
	.word	hour
	.byte	0

; BC = length, HL = address, from the line.
region:
	call	number
	jp	c, complain
	push	hl
	call	number
	jp	c, complain
	ld	b, h
	ld	c, l
	pop	hl
	ld	a, b
	or	c
	jp	z, complain
	ret

; peer ADDRESS LENGTH: eight bytes a line.
peer:
	call	region
peer_line:
	call	hex16
	ld	d, 8
1:	call	space
	ld	a, (hl)
	inc	hl
	call	hex8
	dec	bc
	ld	a, b
	or	c
	jp	z, newline
	dec	d
	jr	nz, 1b
	call	newline
	jr	peer_line

; lay ADDRESS BYTE BYTE ...
lay:
	call	number
	jp	c, complain
1:	push	hl
	call	number
	ld	a, l
	pop	hl
	ret	c
	ld	(hl), a
	inc	hl
	jr	1b

; flood ADDRESS LENGTH BYTE
flood:
	call	region
	push	hl
	call	number
	jp	c, complain
	ld	a, l
	pop	hl
	ld	(hl), a
	dec	bc
	ld	a, b
	or	c
	ret	z
	ld	d, h
	ld	e, l
	inc	de
	ldir
	ret

; carry ADDRESS LENGTH TO: upwards or downwards, as needed.
carry:
	call	region
	push	hl
	call	number
	jp	c, complain
	ex	de, hl
	pop	hl
	push	hl
	or	a
	sbc	hl, de		; carry: the target lies above
	pop	hl
	jr	c, 1f
	ldir
	ret
1:	add	hl, bc
	dec	hl
	ex	de, hl
	add	hl, bc
	dec	hl
	ex	de, hl
	lddr
	ret

; tot ADDRESS LENGTH: 16-bit total of the bytes.
tot:
	call	region
	ld	de, 0
1:	ld	a, (hl)
	add	a, e
	ld	e, a
	jr	nc, 2f
	inc	d
2:	inc	hl
	dec	bc
	ld	a, b
	or	c
	jr	nz, 1b
	ex	de, hl
	call	hex16
	jp	newline

; prove ADDRESS LENGTH: write and read every byte two ways, leave it as it was.
prove:
	call	region
1:	ld	e, (hl)
	ld	a, 0x55
	call	2f
	ld	a, 0xAA
	call	2f
	ld	(hl), e
	inc	hl
	dec	bc
	ld	a, b
	or	c
	jr	nz, 1b
	rst	0x18
	.asciz	"sound\r\n"
	ret
2:	ld	(hl), a
	cp	(hl)
	ret	z
	pop	bc		; not back to the loop
	ld	(hl), e
	call	hex16
	rst	0x18
	.asciz	" is bad\r\n"
	ret

; leap ADDRESS: call it.
leap:
	call	number
	jp	c, complain
	call	1f
	rst	0x18
	.asciz	"back\r\n"
	ret
1:	jp	(hl)

; lamp BYTE
lamp:
	call	number
	jp	c, complain
	ld	a, l
	out	(panel), a
	ret

; press: the keys, 0 where one is down.
press:
	in	a, (panel + 1)
	call	hex8
	jp	newline
