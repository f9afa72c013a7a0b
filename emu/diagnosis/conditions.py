"""What an explanation may take."""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from emu.machine.effort import Meter

HARD = 1.5  # times the seconds given, then even a trial under way is ended
RESERVE = 0.1  # of the seconds given, for saying what was found by then


@dataclass
class Budget:
    """The work that an explanation may take, in seconds as `emu.machine.effort` counts them.

    Trials begin while there are ``seconds`` left; `Spent` ends one under way past `HARD` of them.
    """

    seconds: float
    meter: Meter
    clock: Callable[[], float] | None = None  # another measure of what was taken
    cut: bool = False  # True: something was left out

    def __post_init__(self) -> None:
        self.meter.limit = self.seconds * HARD

    def left(self) -> float:
        """Give the seconds left, 0 or less when it is spent."""
        return self.seconds - (self.clock or self.meter.seconds)()

    def cut_off(self) -> None:
        """Note that the work was ended, and give it the reserve."""
        self.cut = True
        self.meter.limit = max(self.meter.limit, self.meter.seconds()) + self.seconds * RESERVE
        self.meter.held_up = 0.0
