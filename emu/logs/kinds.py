"""What a record of a trace is."""
from __future__ import annotations

# A bus request cuts an instruction in two, BEGUN and CONTINUED, or more; what the card does
# with the bus is DMA.
INSTRUCTION, INTERRUPT, NMI, IDLE, DMA, BEGUN, CONTINUED = range(7)
RECORD_NAMES = ("instruction", "interrupt", "nmi", "halted", "dma", "begun", "continued")

REGISTERS = ("AF", "BC", "DE", "HL", "IX", "IY", "SP", "PC", "AF'", "BC'", "DE'", "HL'")
SP, PC = REGISTERS.index("SP"), REGISTERS.index("PC")
CONTROLS = ("I", "IM", "IFF1", "IFF2")
