"""Write a trace as a value change dump (IEEE 1364): every pin, half a T-state at a time.

Lines stand both as scalars (A0 ... A15, D0 ... D7) and as vectors (A, D): wave viewers
show the vectors better, while protocol decoders read scalars only, and libsigrok 0.5 even
stops at a vector; for these there is the form without vectors and texts.  All lines that
the manual draws with a bar are low-active and stand here as they are on the wire.  D is
z while nobody drives it; ``driver`` names who does, ``code`` the instruction under way.
Lines of cards (`Card.probes`) are named SLOT_LINE, and stand at the T-state of their change.
/NMI is drawn low from its fall until the CPU answers: the machine has only the latch.
"""
from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from fractions import Fraction
from typing import TextIO

import numpy as np
from vcd import VCDWriter

from emu.errors import InputError
from emu.logs import waveforms
from emu.logs.edges import LINE_IEI, LINE_IEO, LINE_INT, LINE_NMI
from emu.logs.records import Chunk
from emu.logs.setting import Setting
from emu.logs.waveforms import ADDRESS, CODE, DATA, FREE, STROBES

UNITS = {"s": 0, "ms": 3, "us": 6, "ns": 9, "ps": 12, "fs": 15}
TICK_UNIT = "1 us"  # written for "tick", where one unit is half a T-state
STILL = ("RESET",)
LINE = 100  # an event's kind when it is an edge of emu/logs/edges.py; no waveforms signal
LEAD = 2  # half T-states before the first cycle in which all lines rest, if there is room
BUS = "bus"

Scale = tuple[str, Callable[[int], int]]
"""A timescale as VCD writes it, and the time of a half T-state in it."""


def timescale(text: str, hz: Fraction) -> Scale:
    """Read "exact", "tick", or a unit such as "1 ns", "10 ps".

    "exact": the coarsest unit in which half a T-state is a whole number; 1 ps when there
    is none, and each edge then stands at the nearest one.  "tick": one unit is half a
    T-state.  Raises InputError.
    """
    half = 1 / (2 * hz)
    if text == "tick":
        return TICK_UNIT, lambda count: count
    if text == "exact":
        for unit, power in UNITS.items():
            for size in (100, 10, 1):
                if (half * 10**power / size).denominator == 1:
                    return _scaled(f"{size} {unit}", half)
        return _scaled("1 ps", half)
    if not re.fullmatch(r"(1|10|100) ?(s|ms|us|ns|ps|fs)", text):
        raise InputError(f'--vcd-timescale {text}: write "exact", "tick", or a unit such as '
                         f'"1 ns" or "10 ps".')
    match = re.fullmatch(r"(\d+) ?(\w+)", text)
    assert match is not None
    scale, place = _scaled(f"{match[1]} {match[2]}", half)
    if place(1) == 0 or place(3) == place(2):
        raise InputError(f"--vcd-timescale {text}: half a T-state is shorter than this unit; "
                         f"choose a smaller one.")
    return scale, place


def _scaled(unit: str, half: Fraction) -> Scale:
    size, name = unit.split()
    ratio = half * 10 ** UNITS[name] / int(size)
    num, den = ratio.numerator, ratio.denominator
    return unit, lambda count: (2 * count * num + den) // (2 * den)


class VcdWriter:
    """Write chunks that follow one another to a text file."""

    def __init__(self, out: TextIO, setting: Setting, scale: str = "exact",
                 scalars_only: bool = False) -> None:
        self._out, self._setting, self._plain = out, setting, scalars_only
        self._unit, self._place = timescale(scale, setting.hz)
        self._writer: VCDWriter | None = None
        self._address, self._data = 0xFFFF, FREE
        self._clock = 0  # half T-state of the next clock edge
        self._levels: dict[str, int] = {}

    def _begin(self, chunk: Chunk) -> VCDWriter:
        start = 2 * int(chunk.t[0])
        self._clock = max(start - LEAD, 0)
        setting = self._setting
        name = setting.name.replace("$end", "_end")  # ends a comment
        comment = f"{name}: {float(setting.hz) / 1e6:.6g} MHz, seed {setting.seed}"
        if self._unit == TICK_UNIT and self._place(3) == 3:
            comment += f"; {TICK_UNIT} here is half a T-state"
        writer = VCDWriter(self._out, timescale=self._unit, date="", comment=comment,
                           version="preburn", init_timestamp=self._place(self._clock))
        self._register(writer, chunk)
        return writer

    def _register(self, writer: VCDWriter, chunk: Chunk) -> None:
        halted = int(chunk.control[0] >> 22 & 1)
        scalar = {"CLK": 1, **dict.fromkeys(STROBES, 1), "HALT": 1 - halted,
                  "INT": int(chunk.levels[LINE_INT]), "NMI": int(chunk.levels[LINE_NMI]),
                  **dict.fromkeys(STILL, 1)}
        self._scalars = {name: writer.register_var(BUS, name, "wire", 1, level)
                         for name, level in scalar.items()}
        self._bits = {
            "A": [writer.register_var(BUS, f"A{k}", "wire", 1, 1) for k in range(16)],
            "D": [writer.register_var(BUS, f"D{k}", "wire", 1, "z") for k in range(8)]}
        if not self._plain:
            self._vectors = {"A": writer.register_var(BUS, "A", "wire", 16, 0xFFFF),
                             "D": writer.register_var(BUS, "D", "wire", 8, "z")}
            self._texts = {name: writer.register_var(BUS, name, "string", 1, "-")
                           for name in ("driver", "code")}
        self._lines = {LINE_INT: self._scalars["INT"], LINE_NMI: self._scalars["NMI"]}
        for slot in self._setting.chained:
            card = self._setting.drivers[slot + 1]  # in the names too: decoders know no scopes
            for name, line in (("IEI", LINE_IEI + slot), ("IEO", LINE_IEO + slot)):
                self._lines[line] = writer.register_var(
                    "chain", f"{name}_{card}", "wire", 1, int(chunk.levels[line]))
        for line, name in self._setting.probes.items():
            self._lines[line] = writer.register_var(
                "cards", name, "wire", 1, int(chunk.levels[line]))

    def write(self, chunk: Chunk) -> None:
        """Write the next chunk."""
        if not len(chunk):
            return
        writer = self._writer or self._begin(chunk)
        self._writer = writer
        change, place = writer.change, self._place
        strobes = [self._scalars[name] for name in STROBES]
        for when, kind, level, extra in self._events(chunk):
            if when >= self._clock:
                self._clock_until(writer, when)
            now = place(when)
            if kind < len(STROBES):
                change(strobes[kind], now, level)
            elif kind == ADDRESS:
                self._set_bus("A", now, self._address, level)
                self._address = level
            elif kind == DATA:
                self._drive(now, level, extra)
            elif kind == LINE:
                change(self._lines[extra], now, level)
            elif not self._plain:
                change(self._texts["code"], now, self._words[level])

    def _events(self, chunk: Chunk) -> Iterator[tuple[int, int, int, int]]:
        """Give everything that happens, in the order of time.

        Tuples (half T-state, signal or LINE or CODE, level, driver or line number).
        """
        bus = waveforms.edges(chunk)
        bus[:, 3] = chunk.cycles["driver"][bus[:, 3]]
        codes = self._setting.book.look_up(chunk)
        self._words = [code.text for code in codes.table]
        words = np.column_stack([2 * chunk.t[:-1], np.full(len(chunk), CODE), codes.index,
                                 np.zeros(len(chunk), np.int64)])
        lines = chunk.edges
        drawn = np.isin(lines[:, 1], list(self._lines))
        lines = np.column_stack([lines[:, 0], np.full(len(lines), LINE), lines[:, 2],
                                 lines[:, 1]])[drawn]
        together = np.concatenate([bus, words, lines])
        # what happened before the first cycle of a cut chunk belongs to its start
        together[:, 0] = np.maximum(together[:, 0], 2 * chunk.t[0])
        for row in together[np.argsort(together[:, 0], kind="stable")].tolist():
            yield tuple(row)

    def _clock_until(self, writer: VCDWriter, when: int) -> None:
        """Write the clock's edges up to a half T-state; it rises at each T-state's start."""
        clock = self._scalars["CLK"]
        for half in range(self._clock, when + 1):
            writer.change(clock, self._place(half), 1 - (half & 1))
        self._clock = when + 1

    def _drive(self, now: int, value: int, driver: int) -> None:
        assert self._writer is not None
        self._set_bus("D", now, self._data, value)
        self._data = value
        if not self._plain:
            name = self._setting.drivers[driver] if value != FREE else "-"
            self._writer.change(self._texts["driver"], now, name)

    def _set_bus(self, name: str, now: int, old: int, new: int) -> None:
        """Change a bus: its vector, and those of its lines that differ."""
        if old == new:
            return
        assert self._writer is not None
        change = self._writer.change
        if not self._plain:
            change(self._vectors[name], now, "z" if new == FREE else new)
        for bit, line in enumerate(self._bits[name]):
            if old == FREE or new == FREE or (old ^ new) >> bit & 1:
                change(line, now, "z" if new == FREE else new >> bit & 1)

    def close(self, t: int | None = None) -> None:
        """End the file at T-state ``t``, or after the last edge."""
        if self._writer is None:
            return
        if t is not None and 2 * t >= self._clock:
            self._clock_until(self._writer, 2 * t)
        self._writer.close(self._place(self._clock))
