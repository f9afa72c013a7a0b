"""What a run did, instruction by instruction, in a form that can be laid beside another run.

Each instruction becomes a number in a vocabulary that two runs share: its place as symbol
and offset, and its text with the addresses in it named, so that code which only lies at
another address has the same number.
"""
from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from emu.bus.state import IN, OUT
from emu.isa.opcodes import ED_RETURNS
from emu.logs import records
from emu.logs.codebook import Code
from emu.logs.cycles import Cycles
from emu.logs.kinds import INSTRUCTION, INTERRUPT, NMI, SP
from emu.logs.records import Chunk
from emu.logs.setting import Setting
from emu.logs.traced import TracedMachine
from emu.logs.window import Window
from emu.run.session import Session

Ints = NDArray[np.int64]
RESPONSES = ("halted", "int mode", "nmi")  # what stands for an instruction's text
NO_PLACE = -1
ADDRESS = re.compile(r"0x[0-9a-f]{3,4}\b")


@dataclass
class Vocabulary:
    """Numbers of instructions, shared by the runs that are compared."""

    places: dict[tuple[str, str], int] = field(default_factory=dict)  # (place, text) -> number
    named: dict[tuple[str, str], int] = field(default_factory=dict)  # with addresses named
    codes: list[Code] = field(default_factory=list)  # the first seen of each number

    def number(self, code: Code, names: Sequence[Setting]) -> int:
        """Give the number of an instruction of one run."""
        place = code.symbol or f"{code.address:04X}"  # of a response "-001": it has none
        found = self.places.get((place, code.text))
        if found is None and code.symbol:
            found = self.named.get((place, _named(code.text, names)))
        if found is None:
            found = len(self.codes)
            self.codes.append(code)
            if code.symbol:
                self.named.setdefault((place, _named(code.text, names)), found)
        self.places.setdefault((place, code.text), found)
        return found


def _named(text: str, names: Sequence[Setting]) -> str:
    """Write the addresses in an instruction's text as symbol and offset."""

    def name(match: re.Match[str]) -> str:
        number = int(match[0], 16)
        found = (table.name_at(number) for setting in names
                 for table in setting.symbols.values())
        return next((word for word in found if word), match[0])

    return ADDRESS.sub(name, text)


@dataclass
class Story:
    """One run: a row an instruction, an interrupt's response, or a stay in HALT."""

    code: Ints  # numbers of the vocabulary
    t: Ints  # one more than rows: the last is the end
    sp: Ints  # before each row, and at the end
    kind: NDArray[np.uint8]  # of emu/logs/records.py
    leaves: NDArray[np.bool_]  # RETI and RETN
    io: NDArray[np.int64]  # rows (T-state, kind, port, data), shape (n, 4)
    texts: list[Code]  # by number in this run: addresses and lines are its own

    @property
    def foreground(self) -> Ints:
        """Number the rows that are instructions outside handlers."""
        return np.flatnonzero((self.level == 0) & (self.kind == INSTRUCTION))

    @cached_property
    def level(self) -> NDArray[np.int64]:
        """0 in the foreground, else the row of the response that began the handler, plus 1."""
        out = np.zeros(len(self.code), np.int64)
        ends = np.flatnonzero(self.leaves)
        for row in np.flatnonzero((self.kind == INTERRUPT) | (self.kind == NMI)).tolist():
            k = int(np.searchsorted(ends, row))
            stop = int(ends[k]) + 1 if k < len(ends) else len(out)
            back = np.flatnonzero(self.sp[row + 2:stop + 1] == self.sp[row])
            if len(back):
                stop = min(stop, row + 2 + int(back[0]))
            out[row:stop] = np.where(out[row:stop] == 0, row + 1, out[row:stop])
        return out


class Teller:
    """Take a run's chunks and tell its story."""

    def __init__(self, setting: Setting, vocabulary: Vocabulary) -> None:
        self._setting, self._vocabulary = setting, vocabulary
        self._numbers: dict[Code, int] = {}
        self._own: dict[int, Code] = {}
        self._known: list[tuple[int, int]] = []  # of the book: number, 1 if RETI or RETN
        self._parts: list[tuple[np.ndarray, ...]] = []
        self._io: list[np.ndarray] = []
        self._end: tuple[int, int] = (0, 0)

    def take(self, chunk: Chunk) -> None:
        """Take the next chunk."""
        self._io.append(_accesses(chunk.cycles))
        chunk = records.compact(chunk)
        codes = self._setting.book.look_up(chunk)
        for code in codes.table[len(self._known):]:
            returns = code.data[:1] == b"\xed" and len(code.data) > 1 and ED_RETURNS[code.data[1]]
            self._known.append((self._number(code), int(returns)))
        table, leaves = np.array(self._known, np.int64).T
        self._parts.append((table[codes.index], chunk.t[:-1].copy(),
                            chunk.registers[:-1, SP].astype(np.int64), chunk.kind.copy(),
                            (leaves[codes.index] == 1) & (chunk.kind == INSTRUCTION)))
        self._end = int(chunk.t[-1]), int(chunk.registers[-1, SP])

    def _number(self, code: Code) -> int:
        if code.text.startswith(RESPONSES):  # wherever it came, however long the stay was
            code = Code(NO_PLACE, b"", code.text.partition(",")[0], "", "", 0)
        if code not in self._numbers:
            number = self._vocabulary.number(code, (self._setting,))
            self._numbers[code] = number
            self._own.setdefault(number, code)
        return self._numbers[code]

    def close(self) -> None:
        """Nothing is held back."""

    def story(self) -> Story:
        """Tell all of it."""
        if not self._parts:
            none = np.zeros(0, np.int64)
            return Story(none, none, none, none.astype(np.uint8), none.astype(bool),
                         none.reshape(0, 4), [])
        code, t, sp, kind, leaves = (np.concatenate(part)
                                     for part in zip(*self._parts, strict=True))
        texts = [self._own.get(k, known) for k, known in enumerate(self._vocabulary.codes)]
        return Story(code, np.append(t, self._end[0]), np.append(sp, self._end[1]), kind, leaves,
                     np.concatenate(self._io), texts)


def _accesses(cycles: Cycles) -> np.ndarray:
    """Pick the port accesses: rows (T-state, kind, port, data)."""
    own = cycles[(cycles["kind"] == IN) | (cycles["kind"] == OUT)]
    return np.column_stack([own["t"], own["kind"].astype(np.int64),
                            (own["address"] & 0xFF).astype(np.int64),
                            own["data"].astype(np.int64)])


def tell(session: Session, setting: Setting, vocabulary: Vocabulary,
         run: Callable[[Session], None] = Session.run) -> Story:
    """Run a session whose machine is a TracedMachine, and tell its story; ``run`` runs it."""
    machine = session.machine
    assert isinstance(machine, TracedMachine)
    teller = Teller(setting, vocabulary)
    machine.trace(Window(None, None), [teller])
    run(session)
    machine.finish()
    return teller.story()
