"""The causes of a hang at a DMA chip; z80_dma_report.py finds them."""
from __future__ import annotations

from peripherals.card import BUSY, HALTED_OFF, STUCK, WILD, Cause

HOLDS_BUS = Cause(
    "dma-holds-bus", "A DMA chip that keeps the bus and waits",
    "Everything stops between two bus cycles, often in the middle of a transfer.",
    "/BUSACK is low and the chip is in continuous mode with RDY not active: the CPU runs nothing; "
    "in burst mode, in a copy, it goes on.",
    "Use burst or byte mode for a device that is slower than the bus.", ())
NOT_FORCED = Cause(
    "dma-not-forced", "A DMA move from memory to memory without force ready",
    "The block is never moved, and the program waits for its end.",
    "The chip is enabled for memory on both sides, nothing reaches RDY, and FORCE READY did not "
    "come behind the last LOAD; with it, in a copy, the program goes on.",
    "Send FORCE READY (B3h) after LOAD (CFh), which takes it back, and before the enable.", ())
NEVER_READY = Cause(
    "dma-never-ready", "A DMA chip whose RDY never comes",
    "No byte moves, or the transfer stops halfway.",
    "The chip is enabled, RDY is not at its programmed active level; with ready forced, in a copy, "
    "the program goes on.",
    "Look at the wire to RDY and at its level in WR5; set the device up before the chip.", ())
NOT_LOADED = Cause(
    "dma-not-loaded", "A DMA chip enabled without LOAD",
    "The wrong bytes arrive, or other data are overwritten.",
    "Start addresses were written, and no LOAD came before the enable: the counters stand "
    "elsewhere.",
    "Send LOAD (CFh) after the start addresses and before the enable.", (),
    when=(STUCK, BUSY, HALTED_OFF, WILD))
FIXED_DESTINATION = Cause(
    "dma-fixed-destination", "A fixed DMA destination that LOAD does not take",
    "All bytes are read and none arrives.",
    "The destination is fixed and its counter is not its start address.",
    "Make the fixed port the source, LOAD, turn the direction, LOAD again.", (),
    when=(STUCK, BUSY, HALTED_OFF, WILD))
NO_VECTOR = Cause(
    "dma-no-vector", "A DMA interrupt without a vector",
    "The transfer works, and with its end the program is lost.",
    "The chip answered an acknowledge with the byte that its vector register held at power-on.",
    "Write the vector behind the interrupt control byte (its bit 4).", (),
    when=(STUCK, BUSY, HALTED_OFF, WILD))

CAUSES = (HOLDS_BUS, NOT_FORCED, NEVER_READY, NOT_LOADED, FIXED_DESTINATION, NO_VECTOR)
