; Page 0, in window 0 for ever: boot, handlers, the way from page to page, console.

	.include "granary.inc"
	.global cold, far, data_to, putc, getc, puts, put_dec, crlf
	.global sampling, probe_state, code_page

	.section .text,"ax"
cold:	di
	jp	begin
	.org	0x28
	jp	far
	.org	0x38
lost:	di			; erased flash, or a vector nobody should give
	ld	a, '!'
	out	(SIO_D), a
	halt
	.org	0x66
	retn

; No RAM is there until all eight windows and the latch have been written.
begin:	ld	hl, first_pages
	ld	bc, 8*256 + PAGER
1:	ld	a, (hl)
	out	(c), a
	inc	hl
	inc	c
	djnz	1b
	ld	a, 0x08
	out	(LATCH), a
	ld	sp, stack_top

	ld	hl, vars_start
	ld	de, vars_start + 1
	ld	bc, vars_size - 1
	ld	(hl), 0
	ldir
	ld	a, PG_DESK
	ld	(code_page), a
	ld	a, STORE + 3		; empty all four bins
2:	call	data_to
	ld	hl, 0
	ld	(STORE_AT), hl
	dec	a
	cp	STORE
	jr	nc, 2b
	ld	hl, FIRST
	ld	(probe_state), hl
	ld	a, 1
	ld	(sampling), a

	ld	hl, table		; every vector to lost, then the three that are used
	ld	b, 128
3:	ld	(hl), lost & 0xFF
	inc	hl
	ld	(hl), 0
	inc	hl
	djnz	3b
	ld	hl, sample_isr
	ld	(table + 0x82), hl
	ld	hl, rx_isr
	ld	(table + 0x9C), hl
	ld	hl, rx_error_isr
	ld	(table + 0x9E), hl
	ld	a, table_page
	ld	i, a
	im	2

	ld	a, 2			; the vector lives in channel B
	out	(SIO_BC), a
	ld	a, 0x90
	out	(SIO_BC), a
	ld	a, 1
	out	(SIO_BC), a
	ld	a, 0x04			; status affects it
	out	(SIO_BC), a
	ld	hl, sio_regs
	ld	bc, 256*(sio_regs_end - sio_regs) + SIO_C
	otir
	ld	a, 0x80			; vectors of the CTC
	out	(TIMER0), a
	ld	a, 0xA7			; interrupt, timer /256, constant follows
	out	(TIMER), a
	ld	a, 40			; 4.096 MHz / 256 / 40 = 400 samples a second
	out	(TIMER), a
	ei
	jp	desk			; its page is in window 5 already

first_pages:
	.byte	0, 0, 0, 0, 0, PG_DESK, STORE, PG_FIXED

sio_regs:
	.byte	0x18
	.byte	4, 0x44			; x16, 8N1: 460.8 kHz gives 28800 baud
	.byte	3, 0xC1
	.byte	5, 0x68
	.byte	1, 0x10			; receive interrupts
sio_regs_end:

; ---- pages

; RST 28h / .byte page / .word routine.  A, HL, DE, BC go in; flags, A, HL, DE, BC come out.
far:	ld	(far_hl), hl
	ld	(far_de), de
	ld	(far_a), a
	pop	hl
	ld	a, (hl)
	inc	hl
	ld	e, (hl)
	inc	hl
	ld	d, (hl)
	inc	hl
	push	hl			; where the caller goes on
	ld	hl, (code_page)
	push	hl			; the caller's page, in L
	ld	hl, far_back
	push	hl
	push	de
	call	code_to
	ld	a, (far_a)
	ld	de, (far_de)
	ld	hl, (far_hl)
	ret				; to the routine
far_back:
	ex	(sp), hl
	push	af
	ld	a, l
	call	code_to
	pop	af
	pop	hl
	ret

; A = page.  The note first, then the register: a handler in between puts back what is noted.
code_to:
	ld	(code_page), a
	out	(W_CODE), a
	ret
data_to:
	ld	(data_page), a
	out	(W_DATA), a
	ret

; ---- handlers

; One sample: the probe's driver is in page 3, the bin is a page of its own.
sample_isr:
	push	af
	push	bc
	push	de
	push	hl
	ld	a, (sampling)
	or	a
	jr	z, 8f
	ld	a, PG_PROBE
	out	(W_CODE), a
	call	probe_next		; DE = sample
	ld	a, (code_page)
	out	(W_CODE), a
	ld	a, (bin)
	add	a, STORE
	out	(W_DATA), a
	ld	hl, (STORE_AT)
	ld	b, h
	ld	c, l
	inc	bc
	ld	(STORE_AT), bc
	add	hl, hl
	ld	bc, STORE_AT + 2
	add	hl, bc
	ld	(hl), e
	inc	hl
	ld	(hl), d
	ld	a, (bin)
	inc	a
	and	3
	ld	(bin), a
	jr	nz, 7f
	ld	hl, (STORE_AT)		; after bin 3: all full?
	ld	bc, -FULL
	add	hl, bc
	jr	nc, 7f
	xor	a
	ld	(sampling), a
7:	ld	a, (data_page)
	out	(W_DATA), a
8:	pop	hl
	pop	de
	pop	bc
	pop	af
	ei
	reti

rx_isr:	push	af
	push	de
	push	hl
	ld	a, (rx_in)
	ld	e, a
	inc	a
	and	31
	ld	d, a
	in	a, (SIO_D)
	ld	l, a
	ld	a, (rx_out)
	cp	d
	ld	a, l
	jr	z, 1f			; full: lost
	ld	l, d
	ld	d, 0
	push	hl
	ld	hl, rx_ring
	add	hl, de
	ld	(hl), a
	pop	hl
	ld	a, l
	ld	(rx_in), a
1:	pop	hl
	pop	de
	pop	af
	ei
	reti

rx_error_isr:
	push	af
	in	a, (SIO_D)
	ld	a, 0x30
	out	(SIO_C), a
	pop	af
	ei
	reti

; ---- console

getc:	push	hl
1:	di
	ld	a, (rx_out)
	ld	hl, rx_in
	cp	(hl)
	jr	nz, 2f
	ei
	halt
	jr	1b
2:	ei
	push	de
	ld	e, a
	ld	d, 0
	inc	a
	and	31
	ld	hl, rx_ring
	add	hl, de
	ld	e, (hl)
	ld	(rx_out), a
	ld	a, e
	pop	de
	pop	hl
	ret

putc:	push	af
1:	in	a, (SIO_C)
	bit	2, a			; buffer empty
	jr	z, 1b
	pop	af
	out	(SIO_D), a
	ret

puts:	ld	a, (hl)
	inc	hl
	or	a
	ret	z
	call	putc
	jr	puts

crlf:	ld	a, 13
	call	putc
	ld	a, 10
	jr	putc

; HL, unsigned decimal.
put_dec:
	push	bc
	push	de
	ld	c, 0
	ld	de, 10000
	call	1f
	ld	de, 1000
	call	1f
	ld	de, 100
	call	1f
	ld	e, 10
	call	1f
	ld	a, l
	add	a, '0'
	call	putc
	pop	de
	pop	bc
	ret
1:	ld	b, '0'
2:	or	a
	sbc	hl, de
	jr	c, 3f
	inc	b
	jr	2b
3:	add	hl, de
	ld	a, b
	sub	'0'
	or	c
	ret	z
	ld	c, 1
	ld	a, b
	jp	putc

	.section .vars,"aw",@nobits
code_page: .skip 2			; what window 5 shows; a word, so that HL can take it
data_page: .skip 1
far_hl:	.skip	2
far_de:	.skip	2
far_a:	.skip	1
sampling: .skip 1
bin:	.skip	1			; the next sample's bin
probe_state: .skip 2
rx_in:	.skip	1
rx_out:	.skip	1
rx_ring: .skip	32
