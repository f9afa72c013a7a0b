"""Read a logic analyser's capture of a real bus: VCD or CSV in, bus cycles out.

A capture is a course of states: the lines' levels packed into one number, see probes.py.
A bus cycle is a stretch in which a strobe pair is low together (/MREQ or /IORQ with /RD or
/WR, or /IORQ with /M1); its data and address are those of the last state before the strobes
go, when they have been stable longest.
"""
from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from emu.bus.state import ACK, FETCH, IN, OUT, READ, WRITE
from emu.compare import probes, vcdstates
from emu.errors import InputError
from emu.files.inputfile import read_limited

SIZE_LIMIT = 1 << 30
FARTHEST = 1e18  # of a time, in any unit
FEWEST = 32  # bus cycles that a capture must hold

CAPTURED = np.dtype([
    ("time", np.float64),  # seconds at which the strobes fall
    ("end", np.float64),  # and go
    ("address", np.uint16), ("data", np.uint8), ("kind", np.uint8)])

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Capture:
    """A capture as bus cycles.

    ``mask``: the address bits that it shows; ``holes``: the times behind which samples are
    known to be missing; ``timed``: False when it has no times, which then count samples.
    """

    path: Path
    cycles: NDArray[np.void]
    mask: int
    holes: NDArray[np.float64]
    timed: bool = True


def read(path: Path, columns: str = "") -> Capture:
    """Read a capture; InputError names the file, the place and the mend."""
    asked = probes.column_map(columns)
    data = read_limited(path, "capture", SIZE_LIMIT)
    text = data.decode("utf-8", "replace")
    if path.suffix.lower() == ".vcd" or text.lstrip()[:1] == "$":
        times, states, lines = vcdstates.read(path, data, asked)
        timed = True
    else:
        times, states, lines, timed = _csv(path, text, asked)
    cycles = decode(times, states)
    if len(cycles) < FEWEST:
        raise InputError(f"{path}: shows only {len(cycles)} bus cycles; check that the strobes "
                         f"({', '.join(probes.STROBES)}) are the right columns and low when "
                         f"active, and capture at least {FEWEST} cycles.")
    return Capture(path, cycles, probes.address_mask(lines), holes(times), timed)


def _csv(path: Path, text: str, asked: Mapping[str, str]
         ) -> tuple[NDArray[np.float64], Ints, list[str], bool]:
    rows = csv.reader(StringIO("\n".join(
        line for line in text.splitlines() if line.strip() and not line.startswith((";", "#")))))
    try:
        table = [[cell.strip() for cell in row] for row in rows]
    except csv.Error as error:
        raise InputError(f"{path}: is no CSV: {error}; export the capture again.") from None
    if len(table) < 2:
        raise InputError(f"{path}: holds no samples; export the capture again.")
    head = table[0]
    used = probes.assign(head, asked, path)
    for number, row in enumerate(table, 1):
        if len(row) < len(head):
            raise InputError(f"{path}: row {number} has {len(row)} columns, the first row has "
                             f"{len(head)}; export the capture again.")
    columns = list(zip(*(row[:len(head)] for row in table[1:]), strict=True))
    states = np.zeros(len(table) - 1, np.int64)
    times = np.arange(len(states), dtype=np.float64)
    timed = False
    for name, line in used.items():
        values = columns[head.index(name)]
        if line == "TIME":
            times, timed = _times(path, name, values), True
        elif line in probes.BUSES:
            states |= _numbers(path, name, values, 16) << probes.BUSES[line][0]
        else:
            states |= _numbers(path, name, values, 10) << probes.LINES[line]
    return times, states, list(used.values()), timed


def _numbers(path: Path, name: str, values: tuple[str, ...], base: int) -> Ints:
    words = {value: _number(path, name, value, base) for value in set(values)}
    return np.array([words[value] for value in values], np.int64)


def _number(path: Path, name: str, value: str, base: int) -> int:
    try:
        if base == 10:
            return int(float(value)) & 1
        return int(value.lower().removesuffix("h"), base) & 0xFFFF
    except (ValueError, OverflowError):
        what = "0 or 1" if base == 10 else "a number in hex"
        raise InputError(f"{path}: column {name!r} holds {value!r}, not {what}; is it the right "
                         f"column?") from None


def _times(path: Path, name: str, values: tuple[str, ...]) -> NDArray[np.float64]:
    unit = re.search(r"\b(s|ms|us|ns|ps)\b", name.lower())
    try:
        times = np.array([float(value) for value in values])
    except ValueError as error:
        raise InputError(f"{path}: column {name!r} holds times: {error}.") from None
    wild = np.flatnonzero(~(np.abs(times) < FARTHEST))
    if len(wild):
        at = int(wild[0])
        raise InputError(f"{path}: row {at + 2}: {values[at][:40]!r} is no time of a capture; "
                         f"export it again.")
    back = np.flatnonzero(np.diff(times) < 0)
    if len(back):
        raise InputError(f"{path}: row {int(back[0]) + 3}: the time goes back; is {name!r} the "
                         f"time column?")
    return times * (probes.UNITS[unit[1]] if unit else 1.0)


def kinds_of(states: Ints) -> NDArray[np.uint8]:
    """Give the kind of bus cycle that is under way in each state, 0 for none."""
    low = {name: states >> bit & 1 == 0 for name, bit in probes.STROBES.items()}
    out = np.zeros(len(states), np.uint8)
    out[low["MREQ"] & low["RD"]] = READ
    out[low["MREQ"] & low["RD"] & low["M1"]] = FETCH
    out[low["MREQ"] & low["WR"]] = WRITE
    out[low["IORQ"] & low["RD"]] = IN
    out[low["IORQ"] & low["WR"]] = OUT
    out[low["IORQ"] & low["M1"] & ~low["RD"] & ~low["WR"]] = ACK
    return out


def decode(times: NDArray[np.float64], states: Ints) -> NDArray[np.void]:
    """Make CAPTURED rows of a course of states."""
    kinds = kinds_of(states)
    active = kinds > 0
    starts = np.flatnonzero(active & ~np.concatenate([[False], active[:-1]]))
    ends = np.flatnonzero(active & ~np.concatenate([active[1:], [False]]))
    rows = np.zeros(len(starts), CAPTURED)
    if not len(starts):
        return rows
    last = states[ends]
    rows["time"] = times[starts]
    rows["end"] = times[np.minimum(ends + 1, len(times) - 1)]
    rows["data"] = last & 0xFF
    rows["address"] = last >> probes.ADDRESS_AT & 0xFFFF
    # /M1 may be seen to rise a sample before /RD: a fetch in any state is one in all
    opening = np.maximum.reduceat(np.where(kinds == FETCH, 1, 0), starts) > 0
    rows["kind"] = np.where(opening[:len(starts)], FETCH, kinds[ends])
    return rows


def holes(times: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the times behind which samples are missing, where they come at a steady rate."""
    steps = np.diff(times)
    if not len(steps):
        return times[:0]
    usual = float(np.median(steps))
    if np.mean(np.abs(steps - usual) < 0.1 * usual) < 0.9:
        return times[:0]  # taken at changes
    found: NDArray[np.float64] = times[:-1][steps > 1.9 * usual]
    return found
