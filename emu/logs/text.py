"""Write a trace as text: one line an instruction, or one a bus cycle.

An instruction's line: T-state, seconds, T-states it takes, wait states in them, address,
bytes, disassembly, who drove its first byte, symbol, source line; then every other bus
cycle with who drove it (nothing behind it: the CPU), and the registers that it changed.
`records.compact` makes a stay in HALT one line.
"""
from __future__ import annotations

from typing import BinaryIO

import numpy as np

from emu.bus.state import BUS_BACK, BUS_GIVEN, KIND_NAMES
from emu.logs.columns import Block, choice, decimal, hexadecimal, literal, render, seconds, written
from emu.logs.cycles import Cycles
from emu.logs.records import REGISTERS, Chunk, Flags, Ints, control_fields, total_waits
from emu.logs.setting import Setting

MOMENTS = (BUS_GIVEN, BUS_BACK)
SHOWN = [k for k, name in enumerate(REGISTERS) if name != "PC"]
TEXT = 22  # columns of an instruction's text
SYMBOL = 20
SOURCE = 14


class TextWriter:
    """Write chunks to a binary file; ``by_cycle``: a line a bus cycle."""

    def __init__(self, out: BinaryIO, setting: Setting, by_cycle: bool = False) -> None:
        self._out, self._setting, self._by_cycle = out, setting, by_cycle
        used = [name for name in setting.drivers if name]
        self._width = max(len(name) for name in used)
        hertz = float(setting.hz)
        out.write(f"# {setting.name}: {hertz / 1e6:.6g} MHz, seed {setting.seed}\n".encode())
        out.write(self._titles().encode())

    def _titles(self) -> str:
        start = f"#{'T-state':>11} {'seconds':>14}    T     "
        driver = "driver".ljust(self._width)
        if self._by_cycle:
            return f"{start}cycle       addr data {driver}  instruction, registers changed\n"
        return (f"{start}addr  {'bytes':<11}  {'instruction':<{TEXT}} {driver}  "
                f"{'symbol':<{SYMBOL}} {'source':<{SOURCE}} other cycles, registers changed\n")

    def write(self, chunk: Chunk, chosen: Flags) -> None:
        """Write the chosen records, or cycles when ``by_cycle`` is set."""
        rows = np.flatnonzero(chosen)
        if len(rows):
            build = self._cycle_blocks if self._by_cycle else self._record_blocks
            blocks = build(chunk, rows)
            self._out.write(render([*blocks, literal("\n")], len(rows)))

    def _opening(self, t: Ints, length: Ints, waits: Ints) -> list[Block]:
        return [decimal(t, 12), literal(" "), *seconds(t, self._setting.hz, 4),
                literal(" "), decimal(length, 4), literal(" "), decimal(waits, 2, waits > 0),
                literal("  ", waits == 0), literal("w", waits > 0), literal(" ", waits == 0),
                literal(" ")]

    def _record_blocks(self, chunk: Chunk, rows: Ints) -> list[Block]:
        codes = self._setting.book.look_up(chunk)
        words = [f"{c.address:04X}  {c.data.hex(' ').upper():<11}  {c.text:<{TEXT}} "
                 for c in codes.table]
        places = [f"  {c.symbol:<{SYMBOL}} {c.source:<{SOURCE}}" for c in codes.table]
        index = codes.index[rows]
        first, behind = chunk.first[rows], rows + 1
        drivers = chunk.cycles["driver"][first]
        blocks = self._opening(chunk.t[rows], chunk.t[behind] - chunk.t[rows],
                               total_waits(chunk)[rows])
        rest = self._other_cycles(chunk, first + codes.sizes[rows], chunk.first[rows + 1])
        rest += changes(chunk, rows, behind)
        more = written(rest, len(rows))
        named = np.array([bool(c.symbol or c.source) for c in codes.table])[index] | more
        return [*blocks, choice(words, index),
                choice(self._setting.drivers, drivers, self._width, fill=named),
                choice(places, index, fill=more), *rest]

    def _other_cycles(self, chunk: Chunk, at: Ints, end: Ints) -> list[Block]:
        """Write the cycles from ``at`` to ``end`` of each line."""
        kinds = [f" {kind}" + " " * (k not in MOMENTS) for k, kind in enumerate(KIND_NAMES)]
        drivers = [f" ({name})" for name in self._setting.drivers]
        drivers[254] = ""
        blocks: list[Block] = []
        while (at < end).any():
            show = at < end
            own = chunk.cycles[np.minimum(at, len(chunk.cycles) - 1)]
            bytes_too = show & ~is_moment(own)
            blocks += [choice(kinds, own["kind"], 0, show),
                       hexadecimal(own["address"], 4, bytes_too), literal("=", bytes_too),
                       hexadecimal(own["data"], 2, bytes_too),
                       choice(drivers, own["driver"], 0, show)]
            at = at + 1
        return blocks

    def _cycle_blocks(self, chunk: Chunk, rows: Ints) -> list[Block]:
        codes = self._setting.book.look_up(chunk)
        record = chunk.cycle_record[rows]
        opens, shuts = rows == chunk.first[record], rows + 1 == chunk.first[record + 1]
        words = [f"  {c.text:<{TEXT}} {c.symbol:<{SYMBOL}} {c.source:<{SOURCE}}"
                 for c in codes.table]
        own = chunk.cycles[rows]
        after = np.append(chunk.cycles["t"], chunk.t[-1])[rows + 1]
        blocks = self._opening(own["t"], after - own["t"], own["waits"].astype(np.int64))
        rest = changes(chunk, record, record + 1, shuts)
        moment = is_moment(own)
        more = written(rest, len(rows))
        return [*blocks, choice(KIND_NAMES, own["kind"], 11), literal(" "),
                hexadecimal(own["address"], 4, ~moment), literal("    ", moment), literal("  "),
                hexadecimal(own["data"], 2, ~moment), literal("  ", moment), literal("  "),
                choice(self._setting.drivers, own["driver"], self._width, fill=opens | more),
                choice(words, codes.index[record], 0, opens, fill=more), *rest]


def is_moment(cycles: Cycles) -> Flags:
    """Tell of each row whether it is no cycle, but the bus given away or back again."""
    return np.isin(cycles["kind"], MOMENTS)


def changes(chunk: Chunk, rows: Ints, behind: Ints, show: Flags | None = None) -> list[Block]:
    """Write " BC=1234" for each register that differs between two states of each line."""
    blocks: list[Block] = []
    for k in SHOWN:
        after = chunk.registers[behind, k]
        changed = chunk.registers[rows, k] != after
        if show is not None:
            changed &= show
        blocks += field(REGISTERS[k], after, 4, changed)
    before, then = (control_fields(chunk.control[at]) for at in (rows, behind))
    for name, after in then.items():
        changed = before[name] != after
        if show is not None:
            changed &= show
        blocks += field(name, after, 2 if name == "I" else 1, changed)
    return blocks


def field(name: str, values: np.ndarray, digits: int, show: Flags) -> list[Block]:
    """Write one register where ``show`` says so; nothing at all when it does so nowhere."""
    if not show.any():
        return []
    return [literal(f" {name}=", show), hexadecimal(values, digits, show)]
