; Page 3: the probe, and arithmetic on its samples.
; The converter card is not built yet: a shift register with feedback stands in for it.

	.include "granary.inc"
	.global probe_next, step, span

	.section .probe,"ax"

; For the handler: DE = the next sample.
probe_next:
	ld	hl, (probe_state)
	call	step
	ld	(probe_state), hl
	ex	de, hl
	ret

; HL = the state behind HL.
step:	srl	h
	rr	l
	ret	nc
	ld	a, h
	xor	0xB4
	ld	h, a
	ret

; Bin A: HL = lowest, DE = highest; carry: it is empty.
span:	add	a, STORE
	call	data_to
	ld	hl, (STORE_AT)
	ld	a, h
	or	l
	scf
	ret	z
	ld	b, h
	ld	c, l
	ld	hl, 0xFFFF
	ld	(lowest), hl
	inc	hl
	ld	(highest), hl
	ld	hl, STORE_AT + 2
1:	ld	e, (hl)
	inc	hl
	ld	d, (hl)
	inc	hl
	push	hl
	ld	hl, (lowest)
	or	a
	sbc	hl, de
	jr	c, 2f
	ld	(lowest), de
2:	ld	hl, (highest)
	or	a
	sbc	hl, de
	jr	nc, 3f
	ld	(highest), de
3:	pop	hl
	dec	bc
	ld	a, b
	or	c
	jr	nz, 1b
	ld	hl, (lowest)
	ld	de, (highest)
	ret

	.section .vars,"aw",@nobits
lowest:	.skip	2
highest: .skip	2
