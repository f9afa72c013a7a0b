"""The causes of a hang at a real-time clock; the clock cards find them."""
from __future__ import annotations

from peripherals.card import Cause

CLOCK_STOPPED = Cause(
    "clock-stopped", "A real-time clock that stands still",
    "The program waits for a new second; the date is that of long ago, or nonsense.",
    "The clock's own halt, stop or hold bit is set; with the clock running in a copy the program "
    "goes on.",
    "Start the clock: clear its halt or stop bit once, and its hold bit after every reading.", ())
CLOCK_PROTECTED = Cause(
    "clock-protected", "A real-time clock that refuses to be set",
    "Setting the clock has no effect.",
    "Writes came while the protection bit was set, and the clock stands; with the clock running in "
    "a copy the program goes on.",
    "Write 00h to the protection register before any other register.", ())

CAUSES = (CLOCK_PROTECTED, CLOCK_STOPPED)
