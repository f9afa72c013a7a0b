; Page 1: the desk.  It asks for a word and sends for the page that knows it.

	.include "granary.inc"
	.global desk

	.equ	WIDE, 40

	.section .desk,"ax"
desk:	ld	hl, hello
	call	puts
ask:	ld	hl, sign
	call	puts
	ld	hl, words_at
	ld	b, 0
1:	call	getc
	cp	13
	jr	z, 2f
	cp	' '
	jr	c, 1b
	ld	c, a
	ld	a, b
	cp	WIDE - 1
	jr	z, 1b
	inc	b
	ld	(hl), c
	inc	hl
	ld	a, c
	call	putc
	jr	1b
2:	ld	(hl), 0
	call	crlf
	ld	hl, (words_at)		; two letters tell them apart
	ex	de, hl
	ld	hl, choices
3:	ld	a, (hl)
	or	a
	jr	z, what
	inc	hl
	cp	e
	jr	nz, 4f
	ld	a, (hl)
	cp	d
	jr	z, 5f
4:	inc	hl
	inc	hl
	inc	hl
	jr	3b
5:	inc	hl
	ld	e, (hl)
	inc	hl
	ld	d, (hl)
	ld	hl, ask
	push	hl
	push	de
	ret
what:	ld	hl, choice_text
	call	puts
	jr	ask

choices:
	.ascii	"bi"
	.word	do_bins
	.ascii	"sp"
	.word	do_span
	.ascii	"ch"
	.word	do_check
	.ascii	"re"
	.word	do_rest
	.ascii	"wo"
	.word	do_work
	.byte	0

do_bins:
	rst	0x28
	.byte	PG_REPORT
	.word	bins
	ret
do_check:
	rst	0x28
	.byte	PG_REPORT
	.word	check
	ret

; span N: lowest and highest of bin N.
do_span:
	ld	a, (words_at + 5)
	sub	'0'
	cp	4
	jr	nc, no_bin
	rst	0x28
	.byte	PG_PROBE
	.word	span
	jr	c, no_grain
	call	put_dec
	ld	hl, to_text
	call	puts
	ex	de, hl
	call	put_dec
	jp	crlf
no_grain:
	ld	hl, none_text
	jp	puts
no_bin:	ld	hl, bin_text
	jp	puts

do_rest:
	xor	a
	jr	1f
do_work:
	ld	a, 1
1:	ld	(sampling), a
	ret

hello:	.asciz	"\r\nGranary 4: four bins\r\n"
sign:	.asciz	"grain: "
choice_text:
	.asciz	"bins, span N, check, rest, work\r\n"
to_text: .asciz	" to "
none_text:
	.asciz	"nothing in it yet\r\n"
bin_text:
	.asciz	"bins are 0 to 3\r\n"

	.section .vars,"aw",@nobits
words_at: .skip	WIDE
