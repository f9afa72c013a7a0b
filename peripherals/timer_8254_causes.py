"""The causes of a hang at an 82C54 timer; timer_8254_report.py finds them."""
from __future__ import annotations

from peripherals.card import Cause

TIMER_HALF_COUNT = Cause(
    "timer-half-count", "A counter that waits for the second byte of its count",
    "The timer is programmed, and nothing ticks.",
    "The control word says LSB and MSB, and one byte has come since; with the other the counter "
    "runs and the program goes on.",
    "Write both bytes, or choose LSB only in the control word (bits 5-4 = 01).", ())
TIMER_GATED = Cause(
    "timer-gated", "A counter whose GATE keeps it from counting",
    "The timer is programmed, and its count stands.",
    "GATE is low, or no rising edge has come in a mode that begins with one; with the edge, and "
    "the level, in a copy the program goes on.",
    "Tie GATE to 5 V where nothing drives it, or let what drives it do so.", ())
TIMER_ENDED = Cause(
    "timer-ended", "A counter that counts down once, where the program waits for every time",
    "One tick comes, and then none.",
    "The counter is in mode 0 or 4, its terminal count has passed, and nobody has written a new "
    "count; with mode 2 in its place the program goes on.",
    "Use mode 2 or 3 for a steady tick, or write the count again in the handler.", ())

CAUSES = (TIMER_HALF_COUNT, TIMER_GATED, TIMER_ENDED)
