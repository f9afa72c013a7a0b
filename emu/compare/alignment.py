"""Lay a capture beside a simulated run, cycle by cycle, and sort what differs."""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from emu.bus.state import ACK, FETCH, IN, READ, WRITE
from emu.compare import wires
from emu.compare.align import Gap, common, gaps
from emu.compare.anchor import Anchors, Shown, anchors, keys
from emu.compare.capture import Capture
from emu.compare.simulated import Simulated
from emu.compare.stackdata import on_stack
from emu.compare.wires import Wire

Ints = NDArray[np.int64]
SIZE = 12  # cycles alike that bring both together again
REACH = 20_000
BACK = 8  # cycles in which the opcode of an instruction is found
LONGEST = 36  # half T-states between two cycles' strobes on a bus without faults
FEW = 3  # cycles that lost samples may spoil


@dataclass(frozen=True)
class Difference:
    """A cycle in which the board did something else: positions (simulated, captured)."""

    i: int
    j: int
    lost: bool  # the two do not come together again


@dataclass
class Alignment:
    """A capture beside a run: the kept cycles of both, and how they pair."""

    left: np.ndarray  # simulated, without repeated fetches in HALT
    right: np.ndarray  # captured, likewise, with swapped lines put right
    strobes: Ints  # half T-states of the left
    shown: Shown
    wires: list[Wire]
    holes: NDArray[np.float64]  # see Capture
    pairs: Ints = field(default_factory=lambda: np.zeros((0, 2), np.int64))  # (left, right)
    first: int = 0  # captured cycle where the alignment begins
    missing: list[Gap] = field(default_factory=list)  # samples that the capture lost
    timing: list[Gap] = field(default_factory=list)  # rounds more or less, code elsewhere
    inputs: list[tuple[int, int]] = field(default_factory=list)  # other bytes read from ports
    difference: Difference | None = None

    @property
    def half(self) -> float:
        """Seconds of half a T-state on the board, from the cycles that pair."""
        steps = np.diff(self.pairs, axis=0)
        near = np.flatnonzero((steps == 1).all(axis=1))
        if not len(near):
            return 0.0
        a, b = self.pairs[near].T
        took = self.right["time"][b + 1] - self.right["time"][b]
        return float(took.sum() / (self.strobes[a + 1] - self.strobes[a]).sum())


def settled(cycles: np.ndarray, shown: Shown) -> Ints:
    """Number the cycles that are not another fetch of the same byte, as in HALT."""
    own = keys(cycles, shown)
    same = (own[1:] == own[:-1]) & (cycles["kind"][1:] == FETCH)
    return np.flatnonzero(np.concatenate([[True], ~same])) if len(own) else np.zeros(0, np.int64)


def align(simulated: Simulated, capture: Capture) -> Alignment | None:
    """Lay a capture beside a run; None when nothing of it fits."""
    shown = Shown(0xFF, capture.mask)
    left, right, strobes = _settle(simulated, capture.cycles, shown)
    found = anchors(left, right, shown)
    if found is None:
        return None
    wrong = _wrong_lines(left, right, found, shown)
    if wrong:
        shown = _without_stuck(shown, wrong)
        left, right, strobes = _settle(simulated, _mended(capture.cycles, wrong), shown)
        found = anchors(left, right, shown) or found
    out = Alignment(left, right, strobes, shown, wrong, capture.holes)
    _walk(out, int(found.left[0]), int(found.right[0]))
    return out


def _settle(simulated: Simulated, captured: np.ndarray, shown: Shown
            ) -> tuple[np.ndarray, np.ndarray, Ints]:
    kept = settled(simulated.cycles, shown)
    return (simulated.cycles[kept], captured[settled(captured, shown)],
            simulated.strobes[kept])


def _wrong_lines(left: np.ndarray, right: np.ndarray, found: Anchors,
                 shown: Shown) -> list[Wire]:
    """Compare the lines in the cycles that the anchors pair."""
    pairs = np.unique(np.concatenate([
        np.column_stack([found.left + k, found.right + k]) for k in range(found.size)]), axis=0)
    a, b = left[pairs[:, 0]], right[pairs[:, 1]]
    out = []
    if not found.data:
        out += wires.faults(a["data"].astype(np.int64), b["data"].astype(np.int64), "D", 8, 0xFF)
    if not found.address and shown.address:
        out += wires.faults(a["address"].astype(np.int64), b["address"].astype(np.int64), "A", 16,
                            shown.address)
    return out


def _without_stuck(shown: Shown, wrong: list[Wire]) -> Shown:
    data, address = shown.data, shown.address
    for wire in wrong:
        if wire.shows in ("0", "1"):
            bit = ~(1 << int(wire.name[1:]))
            data, address = (data & bit, address) if wire.name[0] == "D" else (data, address & bit)
    return Shown(data, address)


def _mended(captured: np.ndarray, wrong: list[Wire]) -> np.ndarray:
    out = captured.copy()
    for letter, name, width in (("D", "data", 8), ("A", "address", 16)):
        own = [wire for wire in wrong if wire.name[0] == letter]
        out[name] = wires.mended(captured[name].astype(np.int64), own, width)
    return out


def _walk(out: Alignment, i: int, j: int) -> None:
    """Pair the cycles from an anchor backwards and forwards, and sort the gaps."""
    a, b = keys(out.left, out.shown), keys(out.right, out.shown)
    before = common(a[:i][::-1], b[:j][::-1])
    i, j = i - before, j - before
    out.first = j
    known = np.unique(_loose(out.left, out.shown))
    runs = []
    at_i, at_j = i, j
    for found in gaps(a[i:], b[j:], SIZE, REACH):
        gap = Gap(found.i0 + i, found.i1 + i, found.j0 + j, found.j1 + j, found.lost)
        runs.append(_run(at_i, at_j, gap.i0 - at_i))
        at_i, at_j = gap.i1, gap.j1
        out.difference = _sort(out, gap, a, b, known)
        if out.difference is not None:
            break
    else:
        runs.append(_run(at_i, at_j, min(len(a) - at_i, len(b) - at_j)))
    out.pairs = np.concatenate(runs) if runs else out.pairs


def _run(i: int, j: int, count: int) -> Ints:
    return np.column_stack([np.arange(i, i + count), np.arange(j, j + count)])


def _loose(cycles: np.ndarray, shown: Shown) -> Ints:
    """Make keys of code alone: bytes read from ports do not count, nor where and what is read
    and written in memory, nor which instruction an interrupt came behind."""
    kinds = cycles["kind"]
    own = keys(cycles, shown)
    own = np.where(kinds == ACK, keys(cycles, shown, address=False), own)
    own = np.where(kinds == IN, keys(cycles, shown, data=False), own)
    return np.where((kinds == READ) | (kinds == WRITE), kinds, own)


def _sort(out: Alignment, gap: Gap, a: Ints, b: Ints, known: Ints) -> Difference | None:
    """Put a gap where it belongs; what nothing explains is a difference."""
    n, k = gap.i1 - gap.i0, gap.j1 - gap.j0
    if gap.lost:
        return _lost(out, gap, b)
    if k <= FEW and _holes_in(out, gap):
        out.missing.append(gap)
        return None
    if n == k <= FEW and (out.left["kind"][gap.i0:gap.i1]
                          == out.right["kind"][gap.j0:gap.j1]).all():
        return _same_course(out, gap, a, b)
    strange = ~np.isin(_loose(out.right[gap.j0:gap.j1], out.shown), known)
    if k <= FEW and n > k and _samples_lost(out, gap, bool(strange.any())):
        out.missing.append(gap)
        return None
    if strange.any():
        ahead = common(a[gap.i0:gap.i1], b[gap.j0:gap.j1])
        return Difference(gap.i0 + ahead, gap.j0 + ahead, False)
    out.timing.append(gap)
    return None


def _holes_in(out: Alignment, gap: Gap) -> bool:
    """Tell whether samples are known to be missing between the cycles around a gap."""
    first = out.right["time"][max(gap.j0 - 1, 0)]
    last = out.right["end"][min(gap.j1, len(out.right) - 1)]
    return bool(((out.holes >= first) & (out.holes <= last)).any())


def _lost(out: Alignment, gap: Gap, b: Ints) -> Difference | None:
    """Take it for the end of the run, not a difference, when only a few cycles are left."""
    if len(b) - gap.j0 < SIZE or len(out.left) - gap.i0 < SIZE:
        return None
    return Difference(gap.i0, gap.j0, True)


def _same_course(out: Alignment, gap: Gap, a: Ints, b: Ints) -> Difference | None:
    start = max(gap.i0 - BACK, 0)
    stack = on_stack(out.left[start:gap.i1])[gap.i0 - start:]
    for i, j in _cells(gap):
        if a[i] == b[j]:
            continue
        left, right = out.left[i], out.right[j]
        if out.timing and stack[i - gap.i0]:
            continue
        silent = right["data"] == 0xFF and left["data"] != 0xFF
        same_port = (left["address"] & out.shown.address) == (right["address"]
                                                              & out.shown.address)
        if left["kind"] != IN or silent or not same_port:
            return Difference(i, j, False)
        out.inputs.append((i, j))
    return None


def _cells(gap: Gap) -> Iterator[tuple[int, int]]:
    return zip(range(gap.i0, gap.i1), range(gap.j0, gap.j1), strict=True)


def _samples_lost(out: Alignment, gap: Gap, strange: bool) -> bool:
    """Tell whether the board did what the capture lacks: the time for it has passed.

    Where the cycles that stand there are known ones, it takes a silence on the bus too.
    """
    if gap.i0 < SIZE or gap.j0 < SIZE or gap.i1 >= len(out.left) or gap.j1 >= len(out.right):
        return False
    times, strobes = out.right["time"], out.strobes
    half = np.median(np.diff(times[gap.j0 - SIZE:gap.j0])
                     / np.diff(strobes[gap.i0 - SIZE:gap.i0]))
    took = times[gap.j1] - times[gap.j0 - 1]
    needs = (strobes[gap.i1] - strobes[gap.i0 - 1]) * half
    silence = np.diff(times[gap.j0 - 1:gap.j1 + 1]).max()
    return bool(took > 0.6 * needs and (strange or silence > LONGEST * half))
