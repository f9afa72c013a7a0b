"""Look back through a run: who wrote this byte last, when did it change, which stop was last.

The run is played again, stretch by stretch between snapshots and the newest first, on the
spare machine with quiet rows of the bus: one pass a stretch, however often they are met.
"""
from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from emu.bus import stops
from emu.bus.state import STOP_CHANGE, STOP_EXECUTE, STOP_VIRGIN, STOP_WRITE
from emu.bus.stops import LAST_ADDRESS, LAST_DATA, LAST_T, Row
from emu.run.history import History, hits
from emu.run.player import Player, Spot
from emu.stepper.judge import Judge, tell
from emu.stepper.lookup import Lookup
from emu.stepper.program import Walker
from emu.stepper.watch import Stop


@dataclass(frozen=True)
class Access:
    """A bus cycle in the past: where its instruction began, its address and data.

    ``by_hand``: no instruction did it but a person, at the spot.
    """

    spot: Spot
    t: int
    address: int
    data: int
    by_hand: bool = False


def stretches(history: History, end: Spot) -> Iterator[tuple[Spot, Spot]]:
    """Give the stretches between snapshots, from a place back to power-on."""
    for entry in reversed(history.shelf.kept):
        start = Spot(*entry.place)
        if start < end:
            yield start, end
            end = start


def mark_untouched(player: Player, history: History) -> None:
    """Mark the memory that may never have been written: what is as at power-on."""
    memory = history.shelf.first_memory()
    player.m.untouched[:len(memory)] = player.m.phys[:len(memory)] == memory


class Searcher:
    """Look back through one history; ``stopping`` ends a search early."""

    def __init__(self, history: History, stopping: Callable[[], bool]) -> None:
        self._history, self._stopping = history, stopping
        self._walker: Walker | None = None
        self._book: Lookup | None = None

    @property
    def book(self) -> Lookup:
        """Names over the spare machine."""
        if self._book is None:
            self._book = Lookup(self._history.spare.machine)
        return self._book

    def last(self, rows: Sequence[Row], before: Spot) -> Access | None:
        """Find the last cycle before a place that one of these rows covers."""
        quiet = [Row(r.kind, r.low, r.high, r.mask, r.value, r.place, True) for r in rows]
        player = self._history.spare
        for start, end in stretches(self._history, before):
            if self._stopping():
                return None
            self._history.seek(player, start)
            stops.arm(player.m, quiet)
            player.run_to(end.t, end.inputs)
            found = max((player.m.stops[k].tolist() for k in range(len(rows))),
                        key=lambda row: row[LAST_T])
            stops.disarm(player.m)
            if found[LAST_T] >= 0:
                spot = self._history.before(Spot(found[LAST_T] + 1, end.inputs))
                return Access(spot or Spot(0, 0), found[LAST_T], found[LAST_ADDRESS],
                              found[LAST_DATA])
        return None

    def last_write(self, place: int, before: Spot, changing: bool = False) -> Access | None:
        """Find who wrote a byte of physical memory last, or ``changing``: last changed it."""
        kind = STOP_CHANGE if changing else STOP_WRITE
        found = self.last([Row(kind, place=(place, place))], before)
        hand = self._by_hand(place, before)
        if hand is not None and (found is None or hand.spot > found.spot):
            return hand
        return found

    def _by_hand(self, place: int, before: Spot) -> Access | None:
        for k in range(before.inputs - 1, -1, -1):
            change = self._history.inputs[k]
            if change.kind == "memory":
                first = int(change.where)
                if first <= place < first + len(change.value):
                    return Access(Spot(change.t, k), change.t, place & 0xFFFF,
                                  change.value[place - first], True)
        return None

    def last_stop(self, armed: Sequence[Stop], before: Spot) -> tuple[Spot, str] | None:
        """Find the last place before this one where a run would have stopped, and why.

        Stops on what terminals show are not looked for; see Stepper.back_to_stop.
        """
        player = self._history.spare
        judge = Judge(self.book, armed, lambda place: False, counting=False)
        for start, end in stretches(self._history, before):
            if self._stopping():
                return None
            self._history.seek(player, start)
            mark_untouched(player, self._history)
            stops.arm(player.m, judge.rows)
            player.m.pass_t = -1
            found = self._play(player, judge, end, before)
            stops.disarm(player.m)
            for spot, words, place in reversed(found):
                if place is None or self.last_write(place, spot) is None:
                    return spot, words
        return None

    def _play(self, player: Player, judge: Judge, end: Spot,
              before: Spot) -> list[tuple[Spot, str, int | None]]:
        """Play a stretch; the last stop in it, and behind that those on unwritten RAM.

        These come with the byte's place in physical memory: it may have been written earlier.
        """
        run = self._walk(player, judge) if judge.needs_walker else None
        last: tuple[Spot, str, int | None] | None = None
        unwritten: list[tuple[Spot, str, int | None]] = []
        while int(player.m.t) < end.t and not self._stopping():
            fired = player.leg(end.t, run)
            met = hits(player.m)
            for hit in met:
                stop = judge.accepts(hit)
                if stop is None or player.spot >= before:
                    continue
                words = tell(self.book, judge, stop, hit)
                if judge.kind(hit) == STOP_VIRGIN:
                    place = self.book.place(hit.address) or 0
                    player.m.untouched[place] = 0  # once a stretch is enough
                    unwritten.append((player.spot, words, place))
                else:
                    last, unwritten = (player.spot, words, None), []
            if any(judge.kind(hit) in (STOP_EXECUTE, STOP_VIRGIN) for hit in met):
                player.m.pass_t = player.m.t
            for k, stop in enumerate(judge.every):
                if run and fired >> k & 1 and player.spot < before:
                    last, unwritten = (player.spot, tell(self.book, judge, stop, None), None), []
            player.make_due(end.inputs)
        return [*([last] if last else []), *unwritten]

    def _walk(self, player: Player, judge: Judge) -> Callable[[int], int]:
        if self._walker is None:
            self._walker = Walker(player.machine)
        self._walker.begin([s.every for s in judge.every if s.every is not None],
                           judge.conditions)
        return self._walker.run
