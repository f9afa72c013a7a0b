"""Cut a run into legs of some milliseconds, so that whoever asks to end it is heard.

While machine code runs, the interpreter can take no signal.  A leg is never longer than MOST
T-states, and shorter on a machine that proves slow; where the legs end changes nothing in the
run.
"""
from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from emu.machine import effort

FIRST, MOST = 2_000, 2_000_000  # T-states: some 0.1 s of a machine that is slow all the way
SHORT, LONG = 0.005, 0.02  # seconds that a leg should take


class BrokenOff(Exception):
    """Somebody asked that the run end here; the machine stands between two instructions."""


class Legs:
    """Runs a machine leg by leg; ``run`` is given the T-state to which it shall go."""

    def __init__(self, m: Any, run: Callable[[int], None]) -> None:
        self._m, self._run = m, run
        self._length = FIRST

    def to(self, t_stop: int) -> None:
        """Run until T-state ``t_stop`` or a reason to leave."""
        m = self._m
        while True:
            start = int(m.t)
            end = min(t_stop, start + self._length)
            began = time.perf_counter()
            effort.run(m, self._run, end)
            self._measure(time.perf_counter() - began, int(m.t) - start)
            if m.exit_reason != 0 or int(m.t) >= t_stop:
                return

    def _measure(self, spent: float, ran: int) -> None:
        """Fit the legs to the machine's speed; a short one tells nothing of a fast machine."""
        if spent > LONG:
            self._length = max(self._length // 4, FIRST)
        elif spent < SHORT and ran >= self._length:
            self._length = min(self._length * 2, MOST)
