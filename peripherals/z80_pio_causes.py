"""The causes of a hang at a parallel port with handshakes; z80_pio_report.py finds them."""
from __future__ import annotations

from peripherals.card import Cause

NO_STROBE = Cause(
    "no-strobe", "A parallel port whose partner never strobes",
    "The first byte stands on the lines, or no byte ever comes, and the program waits.",
    "RDY is active and no strobe has answered it; with one strobe in a copy the program goes on.",
    "Connect the partner's acknowledge to the strobe input, or use a mode without handshake.", ())
NEVER_READY = Cause(
    "never-ready", "An input port that nobody has read, and so never asks for a byte",
    "The keyboard or sender is in order and nothing comes.",
    "RDY of an input port is inactive since its mode was set, and no read has raised it; with RDY "
    "active in a copy the program goes on.",
    "Read the port once after the mode word.", ())

CAUSES = (NO_STROBE, NEVER_READY)
