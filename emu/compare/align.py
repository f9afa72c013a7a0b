"""Lay two sequences of numbers beside each other, with stretches that only one of them has."""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Sequence = NDArray[np.int64]
BASE = np.uint64(0x9E3779B97F4A7C15)  # odd, so that no place of a gram is lost


@dataclass(frozen=True)
class Gap:
    """Where the sequences part: items i0 to i1 - 1 of the left stand against j0 to j1 - 1 of
    the right; ``lost``: they do not come together again."""

    i0: int
    i1: int
    j0: int
    j1: int
    lost: bool = False


def grams(items: Sequence, size: int) -> NDArray[np.uint64]:
    """Hash every run of ``size`` items; the hashes of equal runs are equal."""
    count = len(items) - size + 1
    if count <= 0:
        return np.zeros(0, np.uint64)
    words = items.astype(np.uint64)
    out = np.zeros(count, np.uint64)
    for k in range(size):
        out = out * BASE + words[k:k + count] + np.uint64(1)
    return out


def together(left: Sequence, right: Sequence, size: int) -> tuple[int, int] | None:
    """Find where both go on alike for ``size`` items, skipping as few as possible in all."""
    a, b = grams(left, size), grams(right, size)
    _, at_left, at_right = np.intersect1d(a, b, return_indices=True)
    for k in np.argsort(at_left + at_right, kind="stable"):
        p, q = int(at_left[k]), int(at_right[k])
        if (left[p:p + size] == right[q:q + size]).all():
            return p, q
    return None


def common(left: Sequence, right: Sequence) -> int:
    """Count the items that two sequences have in common at their start."""
    count, at, step = min(len(left), len(right)), 0, 1 << 12
    while at < count:
        end = min(at + step, count)
        other = np.flatnonzero(left[at:end] != right[at:end])
        if len(other):
            return at + int(other[0])
        at, step = end, step * 2
    return count


def gaps(left: Sequence, right: Sequence, size: int, reach: int) -> Iterator[Gap]:
    """Go through both and give the stretches where they differ.

    After a difference, ``size`` equal items within ``reach`` items of both bring them
    together again; where one sequence ends, the comparison ends.
    """
    i = j = 0
    while True:
        same = common(left[i:], right[j:])
        i, j = i + same, j + same
        if i == len(left) or j == len(right):
            return
        found = None
        width = 16 * size
        while found is None:
            width = min(4 * width, reach)
            found = together(left[i:i + width], right[j:j + width], size)
            if width == reach:
                break
        if found is None:
            yield Gap(i, len(left), j, len(right), True)
            return
        yield Gap(i, i + found[0], j, j + found[1])
        i, j = i + found[0], j + found[1]
