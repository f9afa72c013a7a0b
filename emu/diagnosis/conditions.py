"""The time an explanation may take."""
from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass
class Budget:
    """The processor time that an explanation may take, in seconds: a busy host changes nothing."""

    seconds: float
    clock: Callable[[], float] = time.process_time
    cut: bool = False  # True: something was left out for want of time

    def __post_init__(self) -> None:
        self._start = self.clock()

    def left(self) -> float:
        """Give the seconds left, 0 or less when it is spent."""
        return self.seconds - (self.clock() - self._start)
