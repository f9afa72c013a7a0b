"""The host's side of serial channels: what the terminals show, and typing at them."""
from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np

from emu.bus.state import RIGHTLY
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.run.shown import Text, Times

ROOM = 512  # characters left in a terminal's ring when run() comes back


@dataclass
class Channel:
    """One terminal: its name, its record, and all that it has shown."""

    name: str  # "sio.a", or the slot's name when the card has one channel
    line: Any
    text: Text = field(default_factory=Text)
    times: Times = field(default_factory=Times)  # T-state of each character's end
    taken: int = 0


def channels(machine: Machine) -> list[Channel]:
    """List the terminals of a machine, in slot order."""
    out = []
    for slot in machine.slots:
        for name in slot.card.channels:
            full = f"{slot.name}.{name}" if name else slot.name
            out.append(Channel(full, getattr(slot.state, "line_" + name if name else "line")))
    return out


class Console:
    """All terminals of a machine."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.channels = {c.name: c for c in channels(machine)}
        for channel in self.channels.values():
            channel.taken = int(channel.line.shown_in)
            self._make_room(channel)

    def _make_room(self, channel: Channel) -> None:
        channel.line.shown_limit = channel.taken + len(channel.line.shown) - ROOM

    def leave_when_shown(self, at_once: bool) -> None:
        """Let the machine leave run() at the next character, or when a ring is nearly full."""
        for channel in self.channels.values():
            self._make_room(channel)
            if at_once:
                channel.line.shown_limit = channel.taken + 1

    def take(self) -> list[tuple[str, bytes]]:
        """Fetch what the terminals have shown since the last call."""
        out = []
        for channel in self.channels.values():
            line = channel.line
            end = int(line.shown_in)
            if end == channel.taken:
                continue
            index = np.arange(channel.taken, end) % len(line.shown)
            new = np.asarray(line.shown)[index].tobytes()
            channel.text += new
            channel.times += np.asarray(line.shown_t)[index].tolist()
            channel.taken = end
            self._make_room(channel)
            out.append((channel.name, new))
        return out

    def rewind(self) -> None:
        """Forget what was shown behind the state that the machine has been put back to."""
        for channel in self.channels.values():
            surplus = channel.taken - int(channel.line.shown_in)
            if surplus > 0:
                channel.text.cut(len(channel.text) - surplus)
                channel.times.cut(len(channel.times) - surplus)
                channel.taken -= surplus
            self._make_room(channel)

    def last_shown(self) -> int:
        """Give the T-state of the last character shown anywhere, 0 if there was none."""
        return max((c.times[-1] for c in self.channels.values() if c.times), default=0)

    def last_line(self) -> str:
        """Give the last line that is not empty on the first terminal."""
        return (self.lines() or [""])[-1]

    def lines(self) -> list[str]:
        """Give the lines that are not empty on the first terminal."""
        if self.main is None:
            return []
        text = self.channels[self.main].text.decode().replace("\r", "\n")
        return [line for line in text.split("\n") if line.strip()]

    def find(self, name: str, place: str = "") -> Channel:
        """Find a channel; InputError lists those there are."""
        return _named(self.channels, name, place)

    @property
    def main(self) -> str | None:
        """The first channel: where the console usually is."""
        return next(iter(self.channels), None)

    def type(self, name: str, keys: bytes, at_t: int) -> None:
        """Let a terminal send characters, the first not before T-state ``at_t``."""
        type_at(self.machine, self.find(name).line, keys, at_t)


def _named(fitted: Mapping[str, Channel], name: str, place: str = "") -> Channel:
    if name not in fitted:
        known = ", ".join(fitted) or "none"
        place = f"{place}: " if place else ""
        raise InputError(f"{place}there is no serial channel {name!r}; fitted: {known}.")
    return fitted[name]


def terminal(machine: Machine, name: str) -> Any:
    """Find a terminal's record; InputError lists those there are."""
    return _named({c.name: c for c in channels(machine)}, name).line


def room_at(machine: Machine, name: str) -> int:
    """Tell how many characters a terminal's typing ring still takes."""
    line = terminal(machine, name)
    return len(line.typed) - int(line.typed_in - line.typed_out)


def check_room(line: Any, keys: bytes) -> None:
    """See that characters fit into a terminal's typing ring; InputError if not."""
    size = len(line.typed)
    if int(line.typed_in - line.typed_out) + len(keys) > size:
        raise InputError(f"more than {size} characters typed ahead; type less at a time.")


def break_of(machine: Machine, line: Any, seconds: str) -> bytes:
    """Give a break as entries of a typing ring: how many frames long each is, 255 at most."""
    halves = 2 + 2 * int(line.term_bits) + 2 * (int(line.term_parity) > 0) + int(line.term_stop2)
    frame = Fraction(halves * int(line.term_num), 2 * int(line.term_den))
    count = max(math.ceil(Fraction(seconds) * machine.hz / frame), 1)
    return bytes([255] * (count // 255) + [count % 255] * (count % 255 > 0))


def type_at(machine: Machine, line: Any, keys: bytes, at_t: int, how: int = RIGHTLY) -> None:
    """Put characters into a terminal's typing ring and let the card look at it."""
    check_room(line, keys)
    size = len(line.typed)
    for key in keys:
        k = int(line.typed_in) % size
        line.typed[k] = key
        line.typed_how[k] = how
        line.typed_t[k] = at_t
        line.typed_in += 1
    slots = [s for s in machine.slots if s.card.channels]
    for slot in slots:  # an early look is free; the card then knows its next event
        machine.m.event_t[slot.number] = min(int(machine.m.event_t[slot.number]), at_t)
    machine.m.next_event = 0
