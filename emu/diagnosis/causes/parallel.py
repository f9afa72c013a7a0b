"""Causes at a parallel port with handshakes; the card reports them, the run shows whether they
matter."""
from __future__ import annotations

from emu.diagnosis.causes.troubles import checker
from emu.diagnosis.check import Check
from emu.diagnosis.conditions import BUSY, STUCK
from emu.diagnosis.verdict import Cause

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

CHECKS = tuple(Check(checker(cause), cause, (STUCK, BUSY), True)
               for cause in (NO_STROBE, NEVER_READY))
