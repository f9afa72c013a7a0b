"""The causes of a hang at a 16550-type UART; uart_16550.py finds them."""
from __future__ import annotations

from peripherals.card import Cause

LATCH_OPEN = Cause(
    "latch-open", "A UART whose divisor latch stays selected",
    "The rate changes with every byte sent; nothing is received.",
    "DLAB is set while the program waits, so data and interrupt enable go to the divisor; with it "
    "cleared and a character received in a copy the program goes on.",
    "Clear DLAB (bit 7 of the line control register) after the divisor.", ("S4",))
GATE_CLOSED = Cause(
    "gate-closed", "A UART whose interrupt pin is cut off by OUT2",
    "Polling works, interrupts never come.",
    "Interrupts are enabled in the chip and OUT2, which gates the pin on this board, is 0; with "
    "OUT2 set and a character received in a copy the program goes on.",
    "Set OUT2 (bit 3 of the modem control register).", ("N2",))

CAUSES = (LATCH_OPEN, GATE_CLOSED)
