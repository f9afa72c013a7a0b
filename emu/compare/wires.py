"""Tell from aligned cycles which lines of a capture are swapped, stuck or inverted."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CERTAIN = 0.98  # part of the cycles in which a line must agree
FEWEST = 16  # cycles in which it must have been seen at both levels


@dataclass(frozen=True)
class Wire:
    """One captured line that does not show what it should."""

    name: str  # "D3"
    shows: str  # "D4", "0", "1", or "D3 inverted"
    agree: int
    of: int

    def __str__(self) -> str:
        if self.shows in ("0", "1"):
            return f"{self.name} is stuck at {self.shows} ({self.of} cycles)"
        return f"{self.name} shows {self.shows} ({self.agree} of {self.of} cycles)"


def bits(values: NDArray[np.int64], width: int) -> NDArray[np.int64]:
    """Take numbers apart: shape (n, width), bit 0 first."""
    return values[:, None] >> np.arange(width) & 1


def faults(expected: NDArray[np.int64], found: NDArray[np.int64], letter: str, width: int,
           mask: int) -> list[Wire]:
    """Compare the lines of aligned cycles; ``mask``: the lines that are captured."""
    want, have = bits(expected, width), bits(found, width)
    count = len(want)
    out = []
    for line in range(width):
        if not mask >> line & 1 or not FEWEST <= int(want[:, line].sum()) <= count - FEWEST:
            continue
        agree = (want == have[:, [line]]).sum(axis=0)
        if agree[line] >= CERTAIN * count:
            continue
        ones = int(have[:, line].sum())
        name, best = f"{letter}{line}", int(agree.argmax())
        if ones in (0, count):
            out.append(Wire(name, str(int(ones > 0)), count, count))
        elif agree[best] >= CERTAIN * count:
            out.append(Wire(name, f"{letter}{best}", int(agree[best]), count))
        elif agree[line] <= (1 - CERTAIN) * count:
            out.append(Wire(name, f"{name} inverted", count - int(agree[line]), count))
    return out


def words(found: list[Wire]) -> list[str]:
    """Say it: two lines that show one another are swapped."""
    shows = {wire.name: wire for wire in found}
    out, told = [], set()
    for wire in found:
        other = shows.get(wire.shows)
        if wire.name in told:
            continue
        if other is not None and other.shows == wire.name:
            told |= {wire.name, other.name}
            out.append(f"{wire.name} and {other.name} are swapped ({wire.agree} of {wire.of} "
                       f"cycles agree so)")
        else:
            out.append(str(wire))
    return out


def mended(values: NDArray[np.int64], found: list[Wire], width: int) -> NDArray[np.int64]:
    """Put the lines of captured numbers where they belong; what is stuck stays."""
    out = values.copy()
    for wire in found:
        at = int(wire.name[1:])
        if wire.shows.endswith("inverted"):
            out ^= 1 << at
        elif wire.shows not in ("0", "1"):
            home = int(wire.shows[1:])
            out = out & ~(1 << home) | (values >> at & 1) << home
    return out
