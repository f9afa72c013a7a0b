"""Numbers of two runs side by side: time by function, interrupts, stacks, milestones."""
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from emu.bus.state import NO_INTERRUPT
from emu.compare.story import Story
from emu.run.session import Session

STEP = 2  # bytes by which a push, call or return moves SP
NEAR = 256  # bytes below the lowest use of a stack that still belong to it
SHOWN = 8


@dataclass
class Stack:
    """One stack: SP as it was loaded, and the lowest it has come to."""

    top: int
    low: int

    @property
    def depth(self) -> int:
        """Bytes used."""
        return self.top - self.low


def stacks(sp: Sequence[int] | np.ndarray) -> list[Stack]:
    """Find the stacks in SP's course, in the order of their first use.

    SP that moves by more than a word has been loaded: to a place in a stack that is known,
    or to the top of a new one.
    """
    course = np.asarray(sp, np.int64)
    starts = np.concatenate([[0], np.flatnonzero(np.abs(np.diff(course)) > STEP) + 1])
    if not len(course):
        return []
    lows = np.minimum.reduceat(course, starts)
    found: list[Stack] = []
    for top, low in zip(course[starts].tolist(), lows.tolist(), strict=True):
        home = next((s for s in found if s.low - NEAR <= top <= s.top), None)
        if home is None:
            found.append(Stack(top, low))
        else:
            home.low = min(home.low, low)
    return [s for s in found if s.depth > 0]


def time_by_function(story: Story) -> dict[str, int]:
    """Sum up T-states by symbol; HALT, and responses, under names of their own."""
    lengths = np.diff(story.t)
    sums = np.bincount(story.code, lengths, minlength=len(story.texts)).astype(np.int64)
    out: dict[str, int] = {}
    for number in np.flatnonzero(sums).tolist():
        code = story.texts[number]
        page = f"{code.address & 0xFF00:04X}h-{code.address | 0xFF:04X}h"
        name = code.symbol.partition("+")[0] or (page if code.size else code.text)
        out[name] = out.get(name, 0) + int(sums[number])
    return out


def interrupts(session: Session) -> dict[str, int]:
    """Count the interrupts accepted, by slot; "nmi" too when there were any."""
    m = session.machine.m
    out = {slot.name: int(m.int_count[slot.number]) for slot in session.machine.slots
           if int(m.int_kind[slot.number]) != NO_INTERRUPT}
    return {**out, "nmi": int(m.nmi_count)} if int(m.nmi_count) else out


def milestones(session: Session) -> dict[str, Fraction]:
    """Give the seconds of first characters and of the texts that came."""
    out: dict[str, Fraction] = {}
    for channel in session.console.channels.values():
        if channel.times:
            out[f"first character on {channel.name}"] = session.machine.seconds(channel.times[0])
    for number, (_, text, t) in enumerate(session.met, 1):
        out[f"{number}. {text.decode('latin-1')!r}"] = session.machine.seconds(t)
    if session.reached:
        out[f"until {session.until!r}"] = session.machine.seconds(session.reached_t)
    return out


def side_by_side(left: dict[str, Any], right: dict[str, Any]) -> dict[str, tuple[Any, Any]]:
    """Join two tables by name, in the order of the left."""
    return {name: (left.get(name), right.get(name)) for name in {**left, **right}}


def moved(left: dict[str, int], right: dict[str, int]) -> list[tuple[str, int, int]]:
    """List the functions whose time differs most: (name, left, right)."""
    both = [(name, a or 0, b or 0) for name, (a, b) in side_by_side(left, right).items()]
    both = [row for row in both if row[1] != row[2]]
    return sorted(both, key=lambda row: (-abs(row[1] - row[2]), row[0]))[:SHOWN]
