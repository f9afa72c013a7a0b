"""Make the small programs that emu/stepper/walker.py works out, and run a machine by them."""
from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from emu.bus.state import MEDIUM_WANTED
from emu.errors import InputError
from emu.machine.machine import RUN, Machine
from emu.machine.register_names import FLAGS, HALVES, PAIRS
from emu.native import calls, jit, units
from emu.stepper import walker
from emu.stepper.expression import HIT_FACTS, Node, facts_of

WALK = "emu.stepper.walker.walk"
BEGIN = "emu.stepper.walker.begin"
BOUNDARY = "emu.stepper.walker.boundary"
UNARY = {"byte": walker.BYTE, "word": walker.WORD, "not": walker.NOT,
         "negative": walker.NEGATIVE, "~": walker.COMPLEMENT}


def _register(name: str) -> tuple[int, int]:
    """Give the operation that pushes a register."""
    plain = name.rstrip("'")
    other = plain != name
    if name in FLAGS:
        return walker.FLAG, FLAGS[name]
    if plain in HALVES:
        return (walker.ALTERNATE if other else walker.HALF), HALVES[plain]
    if plain in PAIRS:
        high, low = PAIRS[plain]
        return (walker.ALTERNATE_PAIR if other else walker.PAIR), high << 8 | low
    return walker.FIELD, walker.FIELDS.index("refresh" if name == "r" else name)


def program(node: Node) -> list[int]:
    """Turn an expression into operations and arguments, END behind them."""
    words: list[int] = []
    _emit(node, words)
    if len(words) > walker.LENGTH - 2:
        raise InputError("the expression is too long; make it shorter.")
    return [*words, walker.END, 0]


def check_every(node: Node) -> None:
    """Refuse an expression that cannot be worked out at every instruction."""
    program(node)
    for name in sorted(facts_of(node) - {"t"}):
        raise InputError(f"{name} belongs to a stop on memory or a port; here only registers, "
                         f"memory, symbols and t can be asked.")


def _emit(node: Node, words: list[int]) -> None:
    if node.kind == "number":
        words += (walker.CONSTANT, node.number)
    elif node.kind == "register":
        words += _register(node.name)
    elif node.kind == "fact":
        words += ((walker.FIELD, walker.FIELDS.index("t")) if node.name == "t"
                  else (walker.FACT, HIT_FACTS.index(node.name)))
    elif node.kind == "place":
        words += (walker.PLACE, node.number)
    elif node.kind == "pending":
        words += (walker.PENDING, node.number)
    else:
        _emit(node.parts[0], words)
        if node.kind in UNARY:
            words += (UNARY[node.kind], 0)
            return
        number = walker.BINARY.index(node.kind)
        if node.parts[1].kind == "number":
            words += (walker.FIRST_WITH + number, node.parts[1].number)
            return
        jump = len(words) if node.kind == "and" else None
        if jump is not None:
            words += (walker.UNLESS, 0)
        _emit(node.parts[1], words)
        words += (walker.FIRST_BINARY + number, 0)
        if jump is not None:
            words[jump + 1] = len(words)


class Walker:
    """Run one machine instruction by instruction; made when first needed."""

    def __init__(self, machine: Machine, progress: Callable[[str], None] | None = None) -> None:
        self._machine = machine
        self._fired = 0
        self._hook = 0, 0
        self._walk: Callable[[int], int]
        self._begin: Callable[[], int]
        self._record = np.zeros(1, walker.WALK).view(np.recarray)
        s: Any = self._record[0]
        if jit.plain_python():
            calls.PLAIN_HOOKS[int(machine.m.uid)] = (
                lambda m, t, pc: int(walker.boundary(m, s, t, pc)))
            self._walk = lambda t: int(walker.walk(machine.m, s, np.int64(t)))
            self._begin = lambda: int(walker.begin(machine.m, s, np.int64(0)))
            return
        units.load([WALK.rpartition(".")[0]], progress or (lambda _: None))
        walk, begin = (units.callable_root(name, 2, machine.holding) for name in (WALK, BEGIN))
        place, ours = machine.record.ctypes.data, self._record.ctypes.data
        s.run = units.address(RUN)
        self._hook = units.address(BOUNDARY), ours - place
        self._walk = lambda t: int(walk(place, ours, t))
        self._begin = lambda: int(begin(place, ours, 0))

    def begin(self, every: Sequence[Node], rows: Sequence[Node | None]) -> None:
        """Take expressions for every instruction, and the conditions of the bus's rows.

        Notes which of the first are true now.  InputError: there are too many of them.
        """
        if len(every) > walker.EVERY:
            raise InputError(f"more than {walker.EVERY} expressions at every instruction; "
                             f"take one out first.")
        s: Any = self._record[0]
        s.count = len(every)
        s.row[:] = 0
        s.row[:len(rows)] = [node is not None for node in rows]
        conditions = ((walker.EVERY + k, node) for k, node in enumerate(rows))
        for k, node in (*enumerate(every), *conditions):
            if node is not None:
                words = program(node)
                s.program[k, :len(words)] = words
        s.was[:] = 0
        self._begin()

    def run(self, t_stop: int) -> int:
        """Run until ``t_stop`` or a reason to leave; bits of the expressions come true."""
        while True:
            self._machine.serve()
            self._machine.guarded(self._step, t_stop)
            if self._fired or self._machine.m.exit_reason != MEDIUM_WANTED:
                return self._fired

    def _step(self, t_stop: int) -> int:
        self._machine.m.hook, self._machine.m.hook_offset = self._hook
        self._fired = self._walk(t_stop)
        return self._fired
