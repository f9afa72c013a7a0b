"""Find where a capture lies in a simulated run, though lines are swapped or its start is lost."""
from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emu.compare.align import grams

Ints = NDArray[np.int64]

# What is compared: kind, data, address; and how many cycles in a row must agree.
LEVELS = ((True, True, 16), (True, False, 24), (False, True, 24), (False, False, 96))
FEWEST = 8  # anchors in one order that make an alignment


@dataclass(frozen=True)
class Anchors:
    """Pairs of positions (simulated, captured), both rising, where ``size`` cycles agree."""

    left: Ints
    right: Ints
    size: int
    data: bool  # whether the data agreed too
    address: bool


@dataclass(frozen=True)
class Shown:
    """The lines that a capture shows and that are not stuck: masks of data and address."""

    data: int = 0xFF
    address: int = 0


def keys(cycles: np.ndarray, shown: Shown, data: bool = True, address: bool = True) -> Ints:
    """Make a number of each cycle: its kind, and its data and address where asked."""
    out = cycles["kind"].astype(np.int64)
    if data:
        out |= (cycles["data"].astype(np.int64) & shown.data) << 4
    if address:
        out |= (cycles["address"].astype(np.int64) & shown.address) << 12
    return out


def unique(hashes: NDArray[np.uint64]) -> tuple[NDArray[np.uint64], Ints]:
    """Give the hashes that come only once, sorted, and their places."""
    values, places, counts = np.unique(hashes, return_index=True, return_counts=True)
    return values[counts == 1], places[counts == 1]


def rising(pairs: Ints) -> Ints:
    """Give the rows of the longest rising run of the second column (the first one rises)."""
    tails: list[int] = []
    rows: list[int] = []
    back = np.full(len(pairs), -1, np.int64)
    for row, value in enumerate(pairs[:, 1].tolist()):
        at = bisect_left(tails, value)
        back[row] = rows[at - 1] if at else -1
        if at == len(tails):
            tails.append(value)
            rows.append(row)
        else:
            tails[at], rows[at] = value, row
    out = []
    row = rows[-1] if rows else -1
    while row >= 0:
        out.append(row)
        row = int(back[row])
    return np.array(out[::-1], np.int64)


def anchors(left: np.ndarray, right: np.ndarray, shown: Shown) -> Anchors | None:
    """Align by runs of cycles that are unique on both sides: by all that the capture shows,
    else without the data, without the address, by kinds alone.  None: they do not fit."""
    best: Anchors | None = None
    for data, address, size in LEVELS:
        if address and not shown.address:
            continue
        found = _at_level(left, right, shown, data, address, size)
        if found is not None and (best is None or len(found.left) > 4 * len(best.left)):
            best = found
            if len(found.left) > len(right) // 8:
                break
    return best


def _at_level(left: np.ndarray, right: np.ndarray, shown: Shown, data: bool, address: bool,
              size: int) -> Anchors | None:
    sides = [unique(grams(keys(side, shown, data, address), size)) for side in (left, right)]
    _, a, b = np.intersect1d(sides[0][0], sides[1][0], assume_unique=True, return_indices=True)
    pairs = np.column_stack([sides[1][1][b], sides[0][1][a]])
    pairs = pairs[np.argsort(pairs[:, 0], kind="stable")]
    chosen = pairs[rising(pairs)]
    if len(chosen) < FEWEST:
        return None
    return Anchors(chosen[:, 1], chosen[:, 0], size, data, address)
