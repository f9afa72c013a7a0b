"""Causes at a watchdog; the card reports them, the run shows whether they matter."""
from __future__ import annotations

from emu.diagnosis.causes.troubles import checker
from emu.diagnosis.check import Check
from emu.diagnosis.conditions import BUSY, STUCK, WILD
from emu.diagnosis.verdict import Cause

WATCHDOG_RESETS = Cause(
    "watchdog-resets", "A watchdog that resets the machine before it is up",
    "The banner comes again and again, or nothing comes at all.",
    "The watchdog has pulled RESET more than once; in a copy without it, code runs that never "
    "ran before.",
    "Kick the watchdog from the start of the program on, or give it a longer time.", ())

CHECKS = (Check(checker(WATCHDOG_RESETS), WATCHDOG_RESETS, (STUCK, BUSY, WILD), True),)
