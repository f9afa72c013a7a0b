"""A run that can be gone back through: its inputs, its snapshots, and exact replay.

A place in the run is (T-state, number of inputs made).  The machine that the builder sits
at and a spare one, built alike for looking into the past, are both `Player`s of the same
history.
"""
from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from emu.bus import stops
from emu.bus.state import FAR, HITS
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.run.console import channels
from emu.run.inputs import Input, make
from emu.run.settling import settler
from emu.run.snapshot_shelf import BUDGET, Shelf, put_back

LONGEST_PREFIX = 70_000  # bytes: more DD and FD in a row than memory holds


@dataclass(frozen=True, order=True)
class Spot:
    """A place in the run: T-state, and how many inputs had been made."""

    t: int
    inputs: int


@dataclass(frozen=True)
class Hit:
    """A stop's row that was met: its number, the cycle's T-state, address and data."""

    row: int
    t: int
    address: int
    data: int
    old: int  # what a plain memory write overwrote


def hits(m: Any) -> list[Hit]:
    """Take the hits listed in a machine, oldest first."""
    count = min(int(m.hit_count), HITS)
    m.hit_count = 0
    return [Hit(*map(int, m.hits[k])) for k in range(count)]


def _nothing() -> None:
    return None


class Player:
    """A machine that plays a history: it makes the inputs at their times."""

    def __init__(self, machine: Machine, inputs: list[Input]) -> None:
        self.after_seek: Callable[[], None] = self._never_full
        self.after_leg: Callable[[], None] = _nothing
        self.machine = machine
        self.m = machine.m
        self._settle = settler(machine)
        self.inputs = inputs  # shared with the history, which may cut its end
        self.made = 0

    def _never_full(self) -> None:
        """Let nobody be asked to fetch what its terminals show."""
        for channel in channels(self.machine):
            channel.line.shown_limit = FAR

    @property
    def spot(self) -> Spot:
        """Where it stands."""
        return Spot(int(self.m.t), self.made)

    def due(self) -> int:
        """Give the T-state of the next input, FAR when there is none."""
        return self.inputs[self.made].t if self.made < len(self.inputs) else FAR

    def make_due(self, most: int | None = None) -> None:
        """Make the inputs that are due, up to so many in all."""
        most = len(self.inputs) if most is None else most
        while self.made < most and self.due() <= int(self.m.t):
            make(self.machine, self.inputs[self.made])
            self.made += 1

    def leg(self, t: int, run: Callable[[int], Any] | None = None) -> Any:
        """Run to T-state ``t``, the next input or a reason to leave, to a whole instruction.

        ``run`` runs the machine in place of Machine.run; gives what it gives.
        """
        told = (run or self.machine.run)(min(t, self.due()))
        for _ in range(LONGEST_PREFIX):
            if int(self.m.prefix) == 0:
                break
            self.machine.run(int(self.m.t) + 1)
        self._settle()
        self.after_leg()
        return told

    def run_to(self, t: int, most: int | None = None) -> None:
        """Run to the first boundary at or after ``t``, with the inputs up to it."""
        self.make_due(most)
        while int(self.m.t) < t:
            self.leg(t)
            self.make_due(most)


class History:
    """The inputs and snapshots of the run of one machine."""

    def __init__(self, machine: Machine, budget: int = BUDGET) -> None:
        if budget < 16 << 20:
            raise InputError(f"{budget >> 20} MiB are too little to go back with; give at least "
                             f"16.")
        self.inputs: list[Input] = []
        self.main = Player(machine, self.inputs)
        self.shelf = Shelf(budget)
        self._spare: Player | None = None
        self.shelf.keep(machine, 0, 0.0)

    @property
    def spare(self) -> Player:
        """A machine built alike, to look into the past with; its terminals never fill up."""
        if self._spare is None:
            machine = Machine(self.main.machine.description, self.main.machine.seed)
            self._spare = Player(machine, self.inputs)
        return self._spare

    def bring(self, player: Player, spot: Spot) -> Player:
        """Bring a machine to a place: from the nearest snapshot, with the inputs since."""
        self.seek(player, spot)
        player.run_to(spot.t, spot.inputs)
        return player

    def seek(self, player: Player, spot: Spot) -> None:
        """Put a machine back to the nearest snapshot at or before a place, without stops."""
        entry = self.shelf.before(spot.t, spot.inputs)
        stops.disarm(player.m)
        put_back(player.machine, entry)
        player.made = entry.inputs
        player.after_seek()

    def cut(self, spot: Spot, since: int) -> None:
        """Forget what comes behind a place, but not what was asked for up to ``since``."""
        behind = self.inputs[spot.inputs:]
        self.inputs[spot.inputs:] = [i for i in behind if 0 <= i.asked <= since]
        self.shelf.cut_behind(spot.t, spot.inputs)

    def before(self, spot: Spot, count: int = 1) -> Spot | None:
        """Find the ``count``-th instruction boundary before a place; None: power-on comes first.

        Looks a little back first, and further only where instructions took longer.
        """
        reach = 32 + 32 * count
        while True:
            start = max(spot.t - reach, 0)
            player = self.bring(self.spare, Spot(start, spot.inputs))
            found: deque[Spot] = deque(maxlen=count)
            while int(player.m.t) < spot.t:
                found.append(player.spot)
                player.leg(found[-1].t + 1)
                player.make_due(spot.inputs)
            if len(found) == count:
                return found[0]
            if start == 0:
                return None
            reach *= 8
