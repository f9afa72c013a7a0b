"""Say when a trace begins and ends: a time, a place in the program, a text, an event.

    1200t                       T-state 1200
    1.5ms, 2 s, 300us           emulated time since power-on
    shell_loop, 0x0100, f.s:12  the first instruction run there ("int+0" for a symbol
                                that is named like an event)
    text:tw>                    a terminal has shown this text
    int nmi ack halt            /INT falls, an NMI is answered, an interrupt is
                                acknowledged (or: acknowledge), the CPU enters HALT
    port:20h                    the first access to this port
"""
from __future__ import annotations

import math
import re
from collections.abc import Iterable
from fractions import Fraction
from typing import Any

import numpy as np

from emu.bus.state import FAR, IN, OUT
from emu.errors import InputError
from emu.files.numbers import exact
from emu.files.symbols import Place, parse_number
from emu.logs.kinds import INSTRUCTION, INTERRUPT, NMI, PC
from emu.logs.lines import LINE_INT
from emu.logs.records import Chunk, Flags, any_cycle
from emu.logs.setting import Setting
from emu.machine.machine import Machine
from emu.run.console import channels
from emu.run.texts import keys

UNITS = {"s": 0, "ms": 3, "us": 6, "ns": 9}
EVENTS = ("int", "nmi", "ack", "halt")
SAME = {"acknowledge": "ack"}  # the stepper's words
TIME = re.compile(r"([0-9]+(?:\.[0-9]*)?|\.[0-9]+) ?(s|ms|us|ns)")


class When:
    """A point of a run; ``find`` looks for it in one chunk after another."""

    t: int | None = None
    """Its T-state, when that is known beforehand."""

    def find(self, chunk: Chunk, start: int) -> int | None:
        """Give the first record at or after ``start`` in which it happens."""
        raise NotImplementedError

    def find_end(self, chunk: Chunk, start: int) -> int | None:
        """Give the first record behind it: of those that still belong before it."""
        found = self.find(chunk, start)
        return None if found is None else found + 1


class AtTime(When):
    """A T-state: the record under way begins, or what began before it ends."""

    def __init__(self, t: int) -> None:
        self.t: int = t

    def find(self, chunk: Chunk, start: int) -> int | None:
        """See When.find."""
        if self.t >= chunk.t[-1]:
            return None
        return max(start, int(np.searchsorted(chunk.t[:-1], self.t, side="right")) - 1, 0)

    def find_end(self, chunk: Chunk, start: int) -> int | None:
        """See When.find_end."""
        if self.t > chunk.t[-1]:
            return None
        return max(start, int(np.searchsorted(chunk.t[:-1], self.t)))


class AtFlag(When):
    """Something that is seen in the chunk itself."""

    def happens(self, chunk: Chunk) -> Flags:
        """Tell for each record whether it happens there."""
        raise NotImplementedError

    def find(self, chunk: Chunk, start: int) -> int | None:
        """See When.find."""
        found = np.flatnonzero(self.happens(chunk)[start:])
        return start + int(found[0]) if len(found) else None


class AtPlace(AtFlag):
    """The instruction at one of some places is run."""

    def __init__(self, places: Iterable[tuple[int, Place]], setting: Setting) -> None:
        self._places, self._setting = tuple(places), setting

    def happens(self, chunk: Chunk) -> Flags:
        """See AtFlag.happens."""
        found = np.zeros(len(chunk), bool)
        for slot, place in self._places:
            here = chunk.registers[:-1, PC] == place.virtual
            if here.any() and place.physical is not None:
                here &= in_page(chunk, self._setting, slot, place.physical - place.virtual)
            found |= here
        return np.asarray(found & (chunk.kind == INSTRUCTION))


def in_page(chunk: Chunk, setting: Setting, slot: int, away: int) -> Flags:
    """Tell which records' code lies ``away`` from its 16-bit address in a slot's memory.

    Code outside what the images fill was copied there, so it counts as well.
    """
    pc = chunk.registers[:-1, PC].astype(np.int64)
    at = (chunk.place >> 8 << 12 | pc & 0xFFF) - setting.bases.get(slot, 0)
    inside = np.zeros(len(chunk), bool)
    for start, end in setting.symbols[slot].extents:
        inside |= (at >= start) & (at < end)
    return np.asarray((at - pc == away) | ~inside)


class AtEvent(AtFlag):
    """An interrupt or HALT."""

    def __init__(self, event: str) -> None:
        self._event = event

    def happens(self, chunk: Chunk) -> Flags:
        """See AtFlag.happens."""
        if self._event == "nmi":
            return np.asarray(chunk.kind == NMI)
        if self._event == "ack":
            return np.asarray(chunk.kind == INTERRUPT)
        if self._event == "halt":
            halted = chunk.control >> 22 & 1
            return np.asarray((halted[1:] == 1) & (halted[:-1] == 0))
        falls = chunk.edges[(chunk.edges[:, 1] == LINE_INT) & (chunk.edges[:, 2] == 0), 0] // 2
        found = np.zeros(len(chunk), bool)
        found[np.maximum(np.searchsorted(chunk.t[:-1], falls, side="right") - 1, 0)] = True
        return found


class AtPort(AtFlag):
    """A port is read or written; ``port`` above 255 counts with all 16 bits."""

    def __init__(self, port: int) -> None:
        self._port = port

    def happens(self, chunk: Chunk) -> Flags:
        """See AtFlag.happens."""
        kinds = chunk.cycles["kind"]
        mask = 0xFF if self._port < 0x100 else 0xFFFF
        return any_cycle(chunk, ((kinds == IN) | (kinds == OUT))
                         & (chunk.cycles["address"] & mask == self._port))


class AtText(When):
    """A terminal has shown a text; it counts from where the search began."""

    def __init__(self, wanted: bytes, machine: Machine) -> None:
        self._wanted = wanted
        self._channels = channels(machine)
        self._begun = False

    def find(self, chunk: Chunk, start: int) -> int | None:
        """See When.find."""
        begins = int(chunk.t[start])
        self._take(begins)
        times = [c.times[at + len(self._wanted) - 1] for c in self._channels
                 if (at := c.text.find(self._wanted)) >= 0]
        if not times or min(times) >= chunk.t[-1]:
            return None
        return max(int(np.searchsorted(chunk.t[:-1], min(times), side="right")) - 1, start)

    def _take(self, begins: int) -> None:
        """Fetch what the terminals have shown; what came before the search began is left."""
        for channel in self._channels:
            line: Any = channel.line
            end = int(line.shown_in)
            size = len(line.shown)
            index = np.arange(max(channel.taken, end - size), end) % size
            times = np.asarray(line.shown_t)[index]
            if not self._begun:
                index, times = index[times >= begins], times[times >= begins]
            channel.text += np.asarray(line.shown)[index].tobytes()
            channel.times += times.tolist()
            channel.taken = end
        self._begun = True


def _t(option: str, number: str, each: Fraction) -> int:
    """Give the T-state of a number of times ``each`` T-states; InputError when it is too far."""
    try:
        t = math.ceil(exact(number.rstrip(".")) * each)
    except ValueError:
        t = FAR
    if t >= FAR:
        raise InputError(f"{option}: {number[:40]} lies too far away; take a shorter time.")
    return t


def parse(option: str, text: str, machine: Machine, setting: Setting) -> When:
    """Read a point of a run; InputError names the option and the mend."""
    if match := re.fullmatch(r"([0-9]+) ?[tT]", text):
        return AtTime(_t(option, match[1], Fraction(1)))
    if match := TIME.fullmatch(text):
        return AtTime(_t(option, match[1], machine.hz / 10 ** UNITS[match[2]]))
    if SAME.get(text, text) in EVENTS:
        return AtEvent(SAME.get(text, text))
    head, colon, rest = text.partition(":")
    if colon and head == "text":
        return AtText(_keys(option, rest), machine)
    if colon and head == "port":
        return AtPort(_port(option, text, rest))
    if re.fullmatch(r"[0-9.]+", text):
        raise InputError(f"{option} {text}: say what is counted: {text}t for a T-state, "
                         f"{text}ms for a time, {text}h for an address.")
    return AtPlace(places(option, text, setting), setting)


def _keys(option: str, text: str) -> bytes:
    if not text:
        raise InputError(f"{option} text: names no text; write it behind the colon.")
    try:
        return keys(text)
    except InputError as error:
        raise InputError(f"{option} text: {error}") from None


def number(text: str) -> int | None:
    """Read a number where no symbol can stand: "0xFE", "0FEh" and also "FEh"."""
    found = parse_number(text)
    return parse_number("0" + text) if found is None else found


def _port(option: str, text: str, rest: str) -> int:
    port = number(rest)
    if port is None or port > 0xFFFF:
        raise InputError(f"{option} {text}: {rest!r} is no port; write port:20h, say.")
    return port


def places(option: str, text: str, setting: Setting) -> list[tuple[int, Place]]:
    """Find a symbol, source line or address: (slot, place) in each image that knows it."""
    address = parse_number(text)
    known = any(table.find(text) for table in setting.symbols.values())
    if address is not None and address <= 0xFFFF and not known:
        return [(-1, Place(address))]
    found: list[tuple[int, Place]] = []
    problem = f"{text}: no image with symbols is fitted, so only addresses can be named."
    for slot, table in setting.symbols.items():
        try:
            found += [(slot, place) for place in table.places(text)]
        except InputError as error:
            problem = str(error)
    if not found:
        raise InputError(f"{option} {problem}")
    return found
