"""A serial wire and receiver in fractions, look by look: a slow twin of serial_wave.py.

Nothing is shared with the code under test: the line is a function of time, and the
receiver looks at it at every single edge of its clock.
"""
from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True)
class Frame:
    """A character on the wire: start, length of a bit, format and its levels."""

    start: Fraction
    bit: Fraction
    byte: int
    bits: int
    parity: str  # "N", "O", "E"
    stop: Fraction

    @property
    def levels(self) -> list[int]:
        """The start bit, the data from bit 0 on, and the parity bit."""
        data = [self.byte >> k & 1 for k in range(self.bits)]
        check = {"N": [], "E": [sum(data) % 2], "O": [1 - sum(data) % 2]}[self.parity]
        return [0, *data, *check]

    @property
    def end(self) -> Fraction:
        """When the next frame may begin."""
        return self.start + (len(self.levels) + self.stop) * self.bit


def level(frames: Sequence[Frame], at: Fraction) -> int:
    """Give the line's level at one time."""
    for frame in frames:
        if frame.start <= at < frame.start + len(frame.levels) * frame.bit:
            return frame.levels[int((at - frame.start) / frame.bit)]
    return 1


@dataclass(frozen=True)
class Heard:
    """What a receiver made of the line, at the look at the stop bit."""

    at: Fraction
    byte: int
    parity_wrong: bool
    framing_wrong: bool


def receive(frames: Sequence[Frame], edge: Fraction, period: Fraction, ratio: int, bits: int,
            parity: str, until: Fraction) -> Iterator[Heard]:
    """Look at the line at edge, edge + period, ... up to (not at) ``until``."""
    seen, wait, looks = 1, -1, []
    at = edge
    while at < until:
        now = level(frames, at)
        if wait < 0 and seen == 1 and now == 0:
            wait, looks = ratio // 2, []
        elif wait < 0:
            seen = now
        if wait == 0:
            looks.append(now)
            wait = ratio
            if looks[0] == 1:
                wait, seen = -1, 1
            elif len(looks) == 2 + bits + (parity != "N"):
                data = looks[1:1 + bits]
                ones = sum(looks[1:-1]) % 2
                wrong = parity != "N" and ones != (parity == "O")
                byte = sum(b << k for k, b in enumerate(data))
                yield Heard(at, byte, wrong, now == 0)
                wait, seen = -1, now
        if wait >= 0:
            wait -= 1
        at += period
