"""The cause of a hang at a watchdog; watchdog.py finds it."""
from __future__ import annotations

from peripherals.card import BUSY, STUCK, WILD, Cause

WATCHDOG_RESETS = Cause(
    "watchdog-resets", "A watchdog that resets the machine before it is up",
    "The banner comes again and again, or nothing comes at all.",
    "The watchdog has pulled RESET more than once; in a copy without it, code runs that never "
    "ran before.",
    "Kick the watchdog from the start of the program on, or give it a longer time.", (),
    when=(STUCK, BUSY, WILD))

CAUSES = (WATCHDOG_RESETS,)
