"""Make the small programs that emu/stepper/walker.py works out at every boundary."""
from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from emu import jit
from emu.errors import InputError
from emu.machine import RUN, Machine
from emu.state import MEDIUM_WANTED
from emu.stepper import walker
from emu.stepper.expression import Node
from emu.stepper.registers import FLAGS, HALVES, PAIRS

WALK = "emu.stepper.walker.walk"
BEGIN = "emu.stepper.walker.begin"
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
        raise InputError("the expression is too long to be looked at at every instruction; "
                         "make it shorter.")
    return [*words, walker.END, 0]


def _emit(node: Node, words: list[int]) -> None:
    if node.kind == "number":
        words += (walker.CONSTANT, node.number)
    elif node.kind == "register":
        words += _register(node.name)
    elif node.kind == "fact":
        if node.name != "t":
            raise InputError(f"{node.name} belongs to a stop on memory or a port; here only "
                             f"registers, memory, symbols and t can be asked.")
        words += (walker.FIELD, walker.FIELDS.index("t"))
    else:
        for part in node.parts:
            _emit(part, words)
        if node.kind in UNARY:
            words += (UNARY[node.kind], 0)
        else:
            words += (walker.FIRST_BINARY + walker.BINARY.index(node.kind), 0)


class Walker:
    """Run one machine instruction by instruction; made when first needed."""

    def __init__(self, machine: Machine, progress: Callable[[str], None] | None = None) -> None:
        self._machine = machine
        self._fired = 0
        self._record = np.zeros(1, walker.WALK).view(np.recarray)
        s: Any = self._record[0]
        if jit.plain_python():
            self._walk = lambda t: int(walker.walk(machine.m, s, np.int64(t)))
            self._begin = lambda: int(walker.begin(machine.m, s, np.int64(0)))
            return
        from emu import native

        native.load([WALK.rpartition(".")[0]], progress or (lambda _: None))
        walk, begin = (native.callable_root(name, 2) for name in (WALK, BEGIN))
        place, ours = machine.record.ctypes.data, self._record.ctypes.data
        s.run = native.address(RUN)
        self._walk = lambda t: int(walk(place, ours, t))
        self._begin = lambda: int(begin(place, ours, 0))

    def begin(self, nodes: Sequence[Node]) -> None:
        """Take the expressions, and note which are true now; InputError: too many."""
        if len(nodes) > walker.PROGRAMS:
            raise InputError(f"more than {walker.PROGRAMS} expressions at every instruction; "
                             f"take one out first.")
        s: Any = self._record[0]
        s.count = len(nodes)
        for k, node in enumerate(nodes):
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
        self._fired = self._walk(t_stop)
        return self._fired
