"""The first divergence of two stories that matters, and what is only timing.

What matters: code that the other run never executes at all, two foregrounds that do not
come together again, and other bytes written to a port.  What does not: code at another
address, a loop that goes round more often, an interrupt that comes at another instruction,
a handler that takes another of its known ways.
"""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emu.bus.state import KIND_NAMES, OUT
from emu.compare.align import Gap, gaps
from emu.compare.story import NO_PLACE, Story

SIZE = 24  # instructions that both have to run alike to count as together again
REACH = 200_000  # instructions that a loop or another thread may take meanwhile


@dataclass(frozen=True)
class Point:
    """A row of one story, or a port access, to be shown."""

    t: int
    words: str


@dataclass(frozen=True)
class Divergence:
    """Where two runs part in a way that matters; a side is None where it has ended."""

    what: str
    left: Point | None
    right: Point | None

    @property
    def t(self) -> int:
        """T-state of the side that comes first."""
        return min(p.t for p in (self.left, self.right) if p is not None)


@dataclass(frozen=True)
class Timing:
    """Differences that are only timing: stretches of the foreground that one side lacks."""

    stretches: int
    instructions: int
    places: list[str]  # where most of them lie


def point(story: Story, row: int) -> Point:
    """Describe a row: its place and instruction."""
    code = story.texts[int(story.code[row])]
    if code.address == NO_PLACE:
        return Point(int(story.t[row]), code.text)
    words = f"{code.address:04X}h" + (f", {code.symbol}" if code.symbol else "")
    words += f" ({code.source})" if code.source else ""
    return Point(int(story.t[row]), f"{words}: {code.text}")


def first(left: Story, right: Story) -> tuple[Divergence | None, Timing]:
    """Find the first divergence that matters, and sum up the timing before the end."""
    only_left, only_right = _strangers(left, right)
    rows = [story.foreground for story in (left, right)]
    found: list[Divergence] = []
    timing: list[tuple[Gap, int]] = []
    for gap in gaps(left.code[rows[0]], right.code[rows[1]], SIZE, REACH):
        a, b = rows[0][gap.i0:gap.i1], rows[1][gap.j0:gap.j1]
        strange = [_first_of(part, mask) for part, mask in ((a, only_left), (b, only_right))]
        if gap.lost or any(k is not None for k in strange):
            found.append(_foreground(left, right, rows, gap))
            break
        timing.append((gap, len(a) + len(b)))
    found += _handlers(left, right, only_left, only_right)
    found += _ports(left, right)
    best = min(found, key=lambda d: d.t) if found else None
    return best, _timing(left, right, rows, timing)


def _strangers(left: Story, right: Story) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Mark the rows whose code the other run never executes."""
    count = max([0, *(int(s.code.max()) + 1 for s in (left, right) if len(s.code))])
    known = [np.bincount(s.code, minlength=count) > 0 for s in (left, right)]
    return ~known[1][left.code], ~known[0][right.code]


def _first_of(rows: NDArray[np.int64], mask: NDArray[np.bool_]) -> int | None:
    hits = np.flatnonzero(mask[rows])
    return int(rows[hits[0]]) if len(hits) else None


def _foreground(left: Story, right: Story, rows: list[NDArray[np.int64]],
                gap: Gap) -> Divergence:
    a, b = point(left, int(rows[0][gap.i0])), point(right, int(rows[1][gap.j0]))
    why = ("the foregrounds part here and do not come together again" if gap.lost else
           "one side runs code here that the other never runs")
    return Divergence(why, a, b)


def _handlers(left: Story, right: Story, only_left: NDArray[np.bool_],
              only_right: NDArray[np.bool_]) -> Iterator[Divergence]:
    """Give the first strange code inside a handler, of each side."""
    for story, mask, mine in ((left, only_left, True), (right, only_right, False)):
        rows = np.flatnonzero(mask & (story.level > 0))
        if len(rows):
            here = point(story, int(rows[0]))
            yield Divergence("a handler runs code that the other side never runs",
                             here if mine else None, None if mine else here)


def _ports(left: Story, right: Story) -> Iterator[Divergence]:
    """Give, for each instruction that writes to a port, the first byte that differs.

    It has to differ in the port's own order too: handlers and foreground may take turns
    otherwise, and either of two instructions may send what is next.
    """
    outs = [story.io[story.io[:, 1] == OUT] for story in (left, right)]
    whole = {port for port in np.union1d(outs[0][:, 2], outs[1][:, 2]).tolist()
             if _other(*(rows[rows[:, 2] == port] for rows in outs)) is not None}
    groups = [_outputs(story) for story in (left, right)]
    for key in groups[0].keys() & groups[1].keys():
        a, b = groups[0][key], groups[1][key]
        k = _other(a, b) if key[0] in whole else None
        if k is not None:
            yield Divergence(f"another byte is written to port {key[0]:02X}h, the {k + 1}. from "
                             f"there", _access(left, a[k]), _access(right, b[k]))


def _other(a: NDArray[np.int64], b: NDArray[np.int64]) -> int | None:
    """Number the first access whose byte differs, as far as both go."""
    count = min(len(a), len(b))
    found = np.flatnonzero(a[:count, 3] != b[:count, 3])
    return int(found[0]) if len(found) else None


def _outputs(story: Story) -> dict[tuple[int, int], NDArray[np.int64]]:
    """Group the port writes by port and instruction."""
    rows = story.io[story.io[:, 1] == OUT]
    if not len(rows):
        return {}
    at = np.maximum(np.searchsorted(story.t[:-1], rows[:, 0], side="right") - 1, 0)
    keys = rows[:, 2] << 32 | story.code[at]
    order = np.argsort(keys, kind="stable")
    starts = np.flatnonzero(np.diff(keys[order], prepend=-1))
    return {(int(keys[part[0]] >> 32), int(keys[part[0]] & 0xFFFFFFFF)): rows[part]
            for part in np.split(order, starts[1:])}


def _access(story: Story, row: NDArray[np.int64]) -> Point:
    t, kind, port, data = row.tolist()
    at = max(int(np.searchsorted(story.t[:-1], t, side="right")) - 1, 0)
    return Point(t, f"{KIND_NAMES[kind]} {port:02X}h = {data:02X}h, {point(story, at).words}")


def _timing(left: Story, right: Story, rows: list[NDArray[np.int64]],
            found: list[tuple[Gap, int]]) -> Timing:
    places: dict[str, int] = {}
    for gap, size in found:
        story, row = (left, rows[0][gap.i0]) if gap.i1 > gap.i0 else (right, rows[1][gap.j0])
        code = story.texts[int(story.code[row])]
        name = code.symbol.partition("+")[0] or f"{code.address:04X}h"
        places[name] = places.get(name, 0) + size
    most = sorted(places, key=lambda name: -places[name])[:5]
    return Timing(len(found), sum(size for _, size in found), most)
