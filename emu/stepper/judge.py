"""Hold what the bus met against the stops that were asked for, and say it in words."""
from __future__ import annotations

from collections.abc import Callable, Sequence

from emu.bus.state import (
    STOP_ACK,
    STOP_CHANGE,
    STOP_CONFLICT,
    STOP_EXECUTE,
    STOP_IN,
    STOP_OUT,
    STOP_POP,
    STOP_PUSH,
    STOP_READ,
    STOP_REQUEST,
    STOP_ROM_WRITE,
    STOP_VIRGIN,
    STOP_WRITE,
)
from emu.bus.stops import Row
from emu.run.history import Hit
from emu.stepper.lookup import Lookup
from emu.stepper.watch import Stop


class Judge:
    """The stops of one run of one machine; ``book`` is that machine's.

    ``written`` tells of a place in physical memory whether anything was ever written there;
    without ``counting`` the stops' own counts are neither kept nor asked.
    """

    def __init__(self, book: Lookup, armed: Sequence[Stop], written: Callable[[int], bool],
                 counting: bool = True) -> None:
        self._book, self._written, self._counting = book, written, counting
        self._owners = [stop for stop in armed for _ in stop.rows]
        self.rows: list[Row] = [row for stop in armed for row in stop.rows]
        self.conditions = [node for stop in armed for node in stop.conditions(book)]
        self.every = [stop for stop in armed if stop.every is not None]
        self.said = [stop for stop in armed if stop.said is not None]

    def kind(self, hit: Hit) -> int:
        """Give the kind of row that was met."""
        return self.rows[hit.row].kind

    def counts(self, stop: Stop) -> bool:
        """Count a stop that was met; tell whether it stops this time."""
        if not self._counting:
            return True
        stop.hits += 1
        return stop.hits >= stop.after

    @property
    def needs_walker(self) -> bool:
        """Tell whether there are expressions to work out while it runs."""
        return bool(self.every) or any(node is not None for node in self.conditions)

    def accepts(self, hit: Hit) -> Stop | None:
        """Give the stop that a hit is for; its condition held when the run was left."""
        stop = self._owners[hit.row]
        if self.kind(hit) == STOP_VIRGIN and not self._virgin(hit):
            return None
        return stop if self.counts(stop) else None

    def _virgin(self, hit: Hit) -> bool:
        """Tell whether the RAM that is about to be executed was never written."""
        place = self._book.place(hit.address)
        if place is None:
            return False
        if self._written(place):
            self._book.machine.m.untouched[place] = 0
            return False
        return True


def _memory(book: Lookup, hit: Hit, verb: str) -> str:
    words = f"{verb} {book.data(hit.address)}: {hit.data:02X}h"
    return words + (f", was {hit.old:02X}h" if verb != "read" else "")


def _asking(book: Lookup) -> str:
    m = book.machine.m
    names = [slot.name for slot in book.machine.slots if int(m.ip[slot.number])]
    return f"/INT falls; {' and '.join(names)} asks" if names else "/INT falls"


WORDS: dict[int, Callable[[Lookup, Hit], str]] = {
    STOP_EXECUTE: lambda book, hit: f"at {book.at(hit.address)}",
    STOP_VIRGIN: lambda book, hit: f"at {book.at(hit.address)}, in RAM that was never written",
    STOP_READ: lambda book, hit: _memory(book, hit, "read"),
    STOP_WRITE: lambda book, hit: _memory(book, hit, "write"),
    STOP_CHANGE: lambda book, hit: _memory(book, hit, "change"),
    STOP_PUSH: lambda book, hit: f"pushed outside the range, at {hit.address:04X}h",
    STOP_POP: lambda book, hit: f"popped outside the range, at {hit.address:04X}h",
    STOP_IN: lambda book, hit: f"in from port {hit.address:02X}h: {hit.data:02X}h",
    STOP_OUT: lambda book, hit: f"out to port {hit.address:02X}h: {hit.data:02X}h",
    STOP_ACK: lambda book, hit: f"interrupt acknowledged, vector {hit.data:02X}h",
    STOP_REQUEST: lambda book, hit: _asking(book),
    STOP_ROM_WRITE: lambda book, hit: f"write to ROM at {book.data(hit.address)}: {hit.data:02X}h",
    STOP_CONFLICT: lambda book, hit: f"two cards drive the bus at {hit.address:04X}h",
}


def tell(book: Lookup, judge: Judge, stop: Stop, hit: Hit | None) -> str:
    """Say in words why a run stopped."""
    head = f"stop {stop.number}: " if stop.number else ""
    if hit is not None:
        return head + WORDS[judge.kind(hit)](book, hit)
    if stop.said == b"":
        return f"{head}a terminal has shown a character"
    if stop.said is not None:
        return f"{head}the text {stop.said.decode('latin-1')!r} was shown"
    return f"{head}{stop.text} came true"
