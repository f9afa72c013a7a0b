"""The causes of a hang at an 8255 parallel interface; ppi_8255_report.py finds them."""
from __future__ import annotations

from peripherals.card import BUSY, HALTED_OFF, STUCK, Cause

ENDED = (HALTED_OFF, STUCK, BUSY)

PPI_WIPED = Cause(
    "ppi-wiped", "A mode word that cleared the outputs of a parallel interface",
    "What hangs at the port was right for a moment, then falls back to nothing.",
    "A byte with bit 7 set went to the control register while output lines stood at 1, and nothing "
    "was written to these ports after it; with the lines given back the program goes on.",
    "Write the mode word first and the outputs behind it; change single lines of port C by bit "
    "set/reset (bit 7 = 0).", (), when=ENDED)
PPI_NO_INTE = Cause(
    "ppi-no-inte", "A handshake of a parallel interface whose interrupt is not enabled",
    "Bytes come or go once, and no interrupt follows.",
    "The flag stands that would ask, and the INTE bit of that port is 0 since the last mode word; "
    "with it set the program goes on.",
    "Set INTE by bit set/reset behind the last mode word: PC4 or PC6 for port A, PC2 for B.", ())
PPI_NO_STROBE = Cause(
    "ppi-no-strobe", "A strobed port of a parallel interface whose partner never answers",
    "The first byte stands on the lines, or no byte ever comes, and the program waits.",
    "OBF or IBF stands as the last access left it, and no ACK or STB has come since the mode was "
    "set; with a partner in a copy the program goes on.",
    "Connect the partner's strobe to port C, or use mode 0.", ())
PPI_HELD = Cause(
    "ppi-held-in-reset", "A parallel interface that is held in reset",
    "Every port reads its pins, and nothing that is written has any effect.",
    "/RESET goes to the chip without an inverter, so its RESET pin, active high, is high whenever "
    "the machine runs; out of reset the chip lets the program go on.",
    "Put an inverter between /RESET and the chip.", (), when=ENDED)

CAUSES = (PPI_WIPED, PPI_NO_INTE, PPI_NO_STROBE, PPI_HELD)
