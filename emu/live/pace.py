"""Real time: how far the machine may run now, and how long to wait."""
from __future__ import annotations

import time
from collections.abc import Callable
from fractions import Fraction

TICK = 0.01  # seconds between looks at keys and the clock
BEHIND = 0.25  # seconds that are made up for; a machine further behind starts anew


class Pace:
    """Tie T-states to the wall clock; ``fast`` lets go of it."""

    def __init__(self, hz: Fraction, fast: bool = False,
                 clock: Callable[[], float] = time.monotonic) -> None:
        self.fast = fast
        self._hz = float(hz)
        self._clock = clock
        self._wall, self._t = clock(), 0

    def start(self, t: int) -> None:
        """Begin, or go on after a pause, with the machine at T-state ``t``."""
        self._wall, self._t = self._clock(), t

    def target(self, t: int) -> int:
        """Give the T-state to run to, for a machine that stands at ``t``."""
        if self.fast:
            return t + int(self._hz * TICK * 20)
        due = self._t + int((self._clock() - self._wall) * self._hz)
        if due - t > BEHIND * self._hz:
            self.start(t)
            due = t + int(TICK * self._hz)
        return due

    def wait(self) -> float:
        """Give the seconds to wait for keys before running on."""
        return 0.0 if self.fast else TICK
