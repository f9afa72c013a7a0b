; Page 2: what the store holds, and whether it holds it well.

	.include "granary.inc"
	.global bins, check

	.section .report,"ax"
bins:	xor	a
1:	push	af
	add	a, '0'
	call	putc
	ld	a, ':'
	call	putc
	pop	af
	push	af
	add	a, STORE
	call	data_to
	ld	hl, (STORE_AT)
	call	put_dec
	ld	a, ' '
	call	putc
	pop	af
	inc	a
	cp	4
	jr	nz, 1b
	jp	crlf

; Make every sample again and compare it with what was stored, while the sampling goes on.
check:	ld	a, STORE + 3
	call	data_to
	ld	hl, (STORE_AT)
	add	hl, hl
	add	hl, hl
	ld	(left), hl
	ld	(all), hl
	ld	a, h
	or	l
	ld	hl, empty_text
	jp	z, puts
	ld	hl, FIRST
	ld	(model), hl
	ld	hl, STORE_AT + 2
	ld	(place), hl
	xor	a
	ld	(which), a
1:	ld	hl, (left)
	ld	a, h
	or	l
	jr	z, well
	dec	hl
	ld	(left), hl
	ld	hl, (model)
	rst	0x28
	.byte	PG_PROBE
	.word	step
	ld	(model), hl
	ex	de, hl
	ld	a, (which)
	add	a, STORE
	call	data_to
	ld	hl, (place)
	ld	a, (hl)
	cp	e
	jr	nz, spoilt
	inc	hl
	ld	a, (hl)
	cp	d
	jr	nz, spoilt
	ld	a, (which)
	inc	a
	and	3
	ld	(which), a
	jr	nz, 1b
	ld	hl, (place)
	inc	hl
	inc	hl
	ld	(place), hl
	jr	1b
well:	ld	hl, well_text
	call	puts
	ld	hl, (all)
	call	put_dec
	jp	crlf
spoilt:	ld	hl, spoilt_text
	call	puts
	ld	hl, (left)
	call	put_dec
	jp	crlf

well_text: .asciz "all kept well: "
empty_text: .asciz "no samples yet\r\n"
spoilt_text: .asciz "spoilt, still to go: "

	.section .vars,"aw",@nobits
left:	.skip	2
all:	.skip	2
model:	.skip	2
place:	.skip	2
which:	.skip	1
