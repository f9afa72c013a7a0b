"""A run that can be gone back through: its inputs, its snapshots, and exact replay.

A place in the run is (T-state, number of inputs made).  The machine that the builder sits
at and a spare one, built alike for looking into the past, are both `Player`s of the same
history.
"""
from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any

from emu.bus import stops
from emu.bus.state import HITS
from emu.errors import InputError
from emu.machine.machine import Machine, Snapshot
from emu.run.inputs import Input
from emu.run.player import Player, Spot
from emu.run.settling import settler
from emu.run.snapshot_shelf import BUDGET, Shelf, put_back

NEAR = 50_000  # T-states before a place that was stepped back from, where a state is kept
MOST_NEAR = 4  # such states


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


def _place(saved: tuple[Snapshot, int]) -> tuple[int, int]:
    return saved[0].t, saved[1]


class History:
    """The inputs and snapshots of the run of one machine."""

    def __init__(self, machine: Machine, budget: int = BUDGET) -> None:
        if budget < 16 << 20:
            raise InputError(f"{budget >> 20} MiB are too little to go back with; give at least "
                             f"16.")
        self.inputs: list[Input] = []
        self.main = Player(machine, self.inputs, settler(machine))
        self.shelf = Shelf(budget)
        self._spare: Player | None = None
        self._near: deque[tuple[Snapshot, int]] = deque(maxlen=MOST_NEAR)  # as `Player.save` gives
        self.shelf.keep(machine, 0, 0.0)

    @property
    def spare(self) -> Player:
        """A machine built alike, to look into the past with; its terminals never fill up."""
        if self._spare is None:
            machine = Machine(self.main.machine.description, self.main.machine.seed)
            self._spare = Player(machine, self.inputs, settler(machine))
        return self._spare

    def bring(self, player: Player, spot: Spot) -> Player:
        """Bring a machine to a place: from the nearest snapshot, with the inputs since."""
        self.seek(player, spot)
        player.run_to(spot.t, spot.inputs)
        return player

    def seek(self, player: Player, spot: Spot) -> None:
        """Put a machine back to the nearest snapshot at or before a place, without stops."""
        entry, place = self.shelf.before(spot.t, spot.inputs), (spot.t, spot.inputs)
        near = max((one for one in self._near if _place(one) <= place), key=_place, default=None)
        stops.disarm(player.m)
        if near is not None and entry.place < _place(near):
            player.back(near)
        else:
            put_back(player.machine, entry)
            player.made = entry.inputs
        player.after_seek()

    def cut(self, spot: Spot, since: int) -> None:
        """Forget what comes behind a place, but not what was asked for up to ``since``."""
        behind = self.inputs[spot.inputs:]
        self.inputs[spot.inputs:] = [i for i in behind if 0 <= i.asked <= since]
        self.shelf.cut_behind(spot.t, spot.inputs)
        kept = [one for one in self._near if _place(one) <= (spot.t, spot.inputs)]
        self._near = deque(kept, MOST_NEAR)

    def before(self, spot: Spot, count: int = 1) -> Spot | None:
        """Find the ``count``-th instruction boundary before a place; None: power-on comes first.

        Looks a little back first, and further only where instructions took longer.
        """
        reach = 32 + 32 * count
        while True:
            start = max(spot.t - reach, 0)
            player = self._approach(Spot(start, spot.inputs))
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

    def _approach(self, spot: Spot) -> Player:
        """Bring the spare machine to a place; keep a state a little before it for the next step."""
        player, nearby = self.spare, Spot(max(spot.t - NEAR, 0), spot.inputs)
        if not any(nearby.t <= one.t <= spot.t for one, _ in self._near):
            self.bring(player, nearby)
            self._near.append(player.save())
        return self.bring(player, spot)
