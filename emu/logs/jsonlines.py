"""Write a trace as JSON lines: one object an instruction, or one a bus cycle.

Keys of a record: ``t``, ``seconds``, ``length`` and ``waits`` in T-states, ``kind``
(instruction, interrupt, nmi, halted), ``address``, ``bytes``, ``text``, ``driver``,
``symbol`` and ``source`` (null when unknown), ``cycles`` (the bus cycles behind the
code, each with kind, address, data, driver), ``changed`` (registers after it).  Of a
bus cycle: ``t``, ``seconds``, ``length``, ``waits``, ``kind``, ``address``, ``data``,
``driver``, and in an instruction's first cycle ``text``, ``symbol`` and ``source``, in its
last ``changed``.  Addresses, bytes and registers are strings in hex.
"""
from __future__ import annotations

import json
from typing import BinaryIO

import numpy as np

from emu.bus.state import KIND_NAMES
from emu.logs.codebook import Code
from emu.logs.columns import Block, choice, decimal, hexadecimal, literal, render, seconds
from emu.logs.records import (
    RECORD_NAMES,
    REGISTERS,
    Chunk,
    Flags,
    Ints,
    control_fields,
    total_waits,
)
from emu.logs.setting import Setting
from emu.logs.text import SHOWN


class JsonWriter:
    """Write chunks to a binary file; ``by_cycle``: a line a bus cycle."""

    def __init__(self, out: BinaryIO, setting: Setting, by_cycle: bool = False) -> None:
        self._out, self._setting, self._by_cycle = out, setting, by_cycle
        self._drivers = [json.dumps(name) for name in setting.drivers]

    def write(self, chunk: Chunk, chosen: Flags) -> None:
        """Write the chosen records, or cycles when ``by_cycle`` is set."""
        rows = np.flatnonzero(chosen)
        if len(rows):
            build = self._cycle_blocks if self._by_cycle else self._record_blocks
            blocks = build(chunk, rows)
            self._out.write(render([*blocks, literal("}\n")], len(rows)))

    def _opening(self, t: Ints, length: Ints, waits: Ints) -> list[Block]:
        return [literal('{"t":'), decimal(t), literal(',"seconds":'),
                *seconds(t, self._setting.hz), literal(',"length":'), decimal(length),
                literal(',"waits":'), decimal(waits), literal(',"kind":"')]

    def _record_blocks(self, chunk: Chunk, rows: Ints) -> list[Block]:
        codes = self._setting.book.look_up(chunk)
        words = [f'","address":"{c.address:04X}","bytes":"{c.data.hex(" ").upper()}",{_words(c)}'
                 for c in codes.table]
        first, behind = chunk.first[rows], rows + 1
        blocks = self._opening(chunk.t[rows], chunk.t[behind] - chunk.t[rows],
                               total_waits(chunk)[rows])
        blocks += [choice(RECORD_NAMES, chunk.kind[rows]), choice(words, codes.index[rows]),
                   literal(',"driver":'), choice(self._drivers, chunk.cycles["driver"][first]),
                   literal(',"cycles":[')]
        blocks += self._other_cycles(chunk, first + codes.sizes[rows], chunk.first[rows + 1])
        everywhere = np.ones(len(rows), bool)
        return [*blocks, literal("]"), *_changes(chunk, rows, behind, everywhere)]

    def _other_cycles(self, chunk: Chunk, at: Ints, end: Ints) -> list[Block]:
        blocks: list[Block] = []
        while (at < end).any():
            show = at < end
            own = chunk.cycles[np.minimum(at, len(chunk.cycles) - 1)]
            opening = '{"kind":"' if not blocks else ',{"kind":"'
            blocks += [literal(opening, show), choice(KIND_NAMES, own["kind"], 0, show),
                       literal('","address":"', show), hexadecimal(own["address"], 4, show),
                       literal('","data":"', show), hexadecimal(own["data"], 2, show),
                       literal('","driver":', show),
                       choice(self._drivers, own["driver"], 0, show), literal("}", show)]
            at = at + 1
        return blocks

    def _cycle_blocks(self, chunk: Chunk, rows: Ints) -> list[Block]:
        codes = self._setting.book.look_up(chunk)
        record = chunk.cycle_record[rows]
        opens, shuts = rows == chunk.first[record], rows + 1 == chunk.first[record + 1]
        own = chunk.cycles[rows]
        after = np.append(chunk.cycles["t"], chunk.t[-1])[rows + 1]
        blocks = self._opening(own["t"], after - own["t"], own["waits"].astype(np.int64))
        blocks += [choice(KIND_NAMES, own["kind"]), literal('","address":"'),
                   hexadecimal(own["address"], 4), literal('","data":"'),
                   hexadecimal(own["data"], 2), literal('","driver":'),
                   choice(self._drivers, own["driver"]),
                   choice([f",{_words(c)}" for c in codes.table], codes.index[record], 0, opens)]
        return blocks + _changes(chunk, record, record + 1, shuts)


def _words(code: Code) -> str:
    return (f'"text":{json.dumps(code.text)},"symbol":{json.dumps(code.symbol or None)},'
            f'"source":{json.dumps(code.source or None)}')


def _changes(chunk: Chunk, rows: Ints, behind: Ints, show: Flags) -> list[Block]:
    """Write the registers that differ between two states of each line, as an object."""
    values = [(REGISTERS[k], chunk.registers[rows, k], chunk.registers[behind, k], 4)
              for k in SHOWN]
    before, then = (control_fields(chunk.control[at]) for at in (rows, behind))
    values += [(name, before[name], then[name], 2 if name == "I" else 1) for name in then]
    blocks = [literal(',"changed":{', show)]
    already = np.zeros(len(rows), bool)
    for name, old, new, digits in values:
        changed = (old != new) & show
        if changed.any():
            blocks += [literal(",", changed & already), literal(f'"{name}":"', changed),
                       hexadecimal(new, digits, changed), literal('"', changed)]
            already |= changed
    return [*blocks, literal("}", show)]
