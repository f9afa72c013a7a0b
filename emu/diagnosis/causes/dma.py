"""Causes at a DMA card; the card reports them, the run shows whether they matter."""
from __future__ import annotations

from emu.diagnosis.causes.troubles import checker
from emu.diagnosis.check import Check
from emu.diagnosis.conditions import BUSY, HALTED_OFF, STUCK, WILD
from emu.diagnosis.verdict import Cause

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
    "Send LOAD (CFh) after the start addresses and before the enable.", ())
FIXED_DESTINATION = Cause(
    "dma-fixed-destination", "A fixed DMA destination that LOAD does not take",
    "All bytes are read and none arrives.",
    "The destination is fixed and its counter is not its start address.",
    "Make the fixed port the source, LOAD, turn the direction, LOAD again.", ())
NO_VECTOR = Cause(
    "dma-no-vector", "A DMA interrupt without a vector",
    "The transfer works, and with its end the program is lost.",
    "The chip answered an acknowledge with the byte that its vector register held at power-on.",
    "Write the vector behind the interrupt control byte (its bit 4).", ())

CHECKS = (
    Check(checker(HOLDS_BUS), HOLDS_BUS, (STUCK, BUSY), True),
    Check(checker(NOT_FORCED), NOT_FORCED, (STUCK, BUSY), True),
    Check(checker(NEVER_READY), NEVER_READY, (STUCK, BUSY), True),
    Check(checker(NOT_LOADED), NOT_LOADED, (STUCK, BUSY, HALTED_OFF, WILD)),
    Check(checker(FIXED_DESTINATION), FIXED_DESTINATION, (STUCK, BUSY, HALTED_OFF, WILD)),
    Check(checker(NO_VECTOR), NO_VECTOR, (STUCK, BUSY, HALTED_OFF, WILD)),
)
