; The EPROM: carry the monitor to the top of RAM and go there.  No stack is used here.

	.include "cage.inc"
	.section .boot, "ax"
	.global power_on
power_on:
	di
	ld	hl, mon_load
	ld	de, mon_run
	ld	bc, mon_size
	ldir
	jp	enter
