"""Where a run's time went: by function, interrupts and idling apart, as a tree of calls."""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from emu.card.number_words import time_words
from emu.files.symbols import SourceLine
from emu.machine.address_names import Names
from emu.usage.record import INTERRUPTS, PROGRAM, UNNAMED
from emu.usage.used import UsedMachine


@dataclass
class Function:
    """A function's time in T-states: its own, and with all that it called."""

    name: str
    line: SourceLine | None
    own: int = 0
    whole: int = 0
    idle: int = 0  # of the whole, in HALT
    calls: int = 0


@dataclass
class Node:
    """A function as it was called on one path; times in T-states."""

    function: Function
    own: int
    idle: int
    calls: int
    children: list[Node] = field(default_factory=list)

    @property
    def whole(self) -> int:
        """Its own time, HALT and all that it called."""
        return self.own + self.idle + sum(child.whole for child in self.children)


@dataclass(frozen=True)
class Off:
    """The longest stretch with interrupts off: T-states, when, and the places of both ends."""

    length: int
    t: int
    start: str
    end: str


@dataclass
class Profile:
    """The time of a run.  Trees and tables: the program, and what interrupts called."""

    hz: Fraction
    t_states: int
    idle: int
    program: list[Node]
    interrupts: list[Node]
    off: Off | None

    def share(self, t_states: int) -> float:
        """Give a part of the run's time, in per cent."""
        return 100 * t_states / max(self.t_states, 1)

    def words(self, t_states: int) -> str:
        """Write T-states as emulated time."""
        return time_words(float(t_states / self.hz), 4)


def profile(machine: UsedMachine) -> Profile:
    """Read the tree of calls of a machine that has run."""
    u = machine.usage
    functions = _Functions(machine)
    trees = [_children(u, root, functions) for root in (PROGRAM, INTERRUPTS)]
    idle = int(u.idle[:int(u.nodes)].sum())
    return Profile(Fraction(machine.hz), int(machine.m.t), idle, trees[0], trees[1],
                   _off(machine))


class _Functions:
    """The functions of a tree by their numbers; those of interrupts have tables of their own."""

    def __init__(self, machine: UsedMachine) -> None:
        self._machine = machine
        self._names = Names(machine)
        self._tables = {slot.name: [image.symbols for image in slot.images.values()]
                        for slot in machine.description.slots}

    def make(self, number: int) -> Function:
        """Name a function and find its source line."""
        if 0 <= number < len(self._machine.labels):
            label = self._machine.labels[number]
            slot = self._machine.slot(label.slot)
            place = label.place - int(self._machine.m.mem_base[slot.number])
            lines = (table.line_at(label.address, place) for table in self._tables[label.slot])
            return Function(label.name, next((line for line in lines if line is not None), None))
        if number < UNNAMED:
            return Function("where no plain memory answers", None)
        address = int(self._machine.usage.seen_at[number - UNNAMED])
        return Function(self._names.symbol(address) or f"{address:04X}h",
                        self._names.line(address))


def _children(u: Any, at: int, functions: _Functions) -> list[Node]:
    """Read the children of a node, each function once: the same one is the same object."""
    known: dict[int, Function] = {}

    def read(node: int) -> Node:
        number = int(u.function[node])
        if number not in known:
            known[number] = functions.make(number)
        return Node(known[number], int(u.own[node]), int(u.idle[node]), int(u.calls[node]),
                    [*children(node)])

    def children(node: int) -> Iterator[Node]:
        child = int(u.first[node])
        while child:
            yield read(child)
            child = int(u.next[child])

    trees = sorted(children(at), key=lambda node: -node.whole)
    for tree in trees:
        _sum_up(tree, set())
    return trees


def _sum_up(node: Node, above: set[int]) -> None:
    """Enter a node's times in its function; a function that calls itself counts once."""
    function = node.function
    function.own += node.own
    function.idle += node.idle
    function.calls += node.calls
    fresh = id(function) not in above
    if fresh:
        function.whole += node.whole
    for child in node.children:
        _sum_up(child, above | {id(function)})


def functions(trees: list[Node]) -> list[Function]:
    """List the functions of some trees, those that took most themselves first."""
    found: dict[int, Function] = {}
    todo = list(trees)
    while todo:
        node = todo.pop()
        found[id(node.function)] = node.function
        todo += node.children
    return sorted(found.values(), key=lambda f: (-f.own, -f.whole, f.name))


def _off(machine: UsedMachine) -> Off | None:
    u, names = machine.usage, Names(machine)
    length, t, start = int(u.off_longest), int(u.off_t), int(u.off_from)
    end = names.at(int(u.off_to))
    if int(u.off_since) >= 0 and int(machine.m.t) - int(u.off_since) > length:
        t, start = int(u.off_since), int(u.off_pc)
        length, end = int(machine.m.t) - t, "the end of the run"
    return Off(length, t, names.at(start), end) if length else None


def table(found: Profile, most: int) -> list[str]:
    """Write a profile as text, at most so many functions a table."""
    program = sum(node.whole for node in found.program) - found.idle
    interrupts = sum(node.whole for node in found.interrupts)
    out = [f"{found.words(found.t_states)} emulated, {found.t_states:,} T-states:"]
    for name, t in (("program", program), ("interrupts", interrupts), ("idle in HALT", found.idle)):
        out.append(f"  {name:13} {found.words(t):>10} {found.share(t):6.2f} %")
    for title, trees in (("program", found.program), ("interrupts", found.interrupts)):
        rows = functions(trees)
        if rows:
            out += ["", f"{title + ':':11} {'own':>10} {'':8} {'with calls':>10} {'':8} "
                        f"{'calls':>7}  function"]
            out += [_row(found, row) for row in rows[:most]]
        if len(rows) > most:
            out.append(f"  and {len(rows) - most} more; --most N lists them")
    if found.off is not None:
        out += ["", f"interrupts off longest: {found.words(found.off.length)}, "
                    f"{found.off.length:,} T-states, {found.words(found.off.t)} after power-on, "
                    f"from {found.off.start} to {found.off.end}"]
    return out


def _row(found: Profile, f: Function) -> str:
    busy = f.whole - f.idle if f.whole >= f.idle else f.whole
    line = f" ({f.line})" if f.line else ""
    return (f"{'':11} {found.words(f.own):>10} {found.share(f.own):6.2f} % "
            f"{found.words(busy):>10} {found.share(busy):6.2f} % {f.calls:7}  {f.name}{line}")


def as_dict(found: Profile) -> dict[str, Any]:
    """Give a profile as JSON takes it; times in T-states."""
    def rows(trees: list[Node]) -> list[dict[str, Any]]:
        return [{"function": f.name, "source": None if f.line is None else str(f.line),
                 "own": f.own, "with_calls": f.whole, "idle": f.idle, "calls": f.calls}
                for f in functions(trees)]

    off = found.off
    return {"t_states": found.t_states, "hz": float(found.hz), "idle": found.idle,
            "program": rows(found.program), "interrupts": rows(found.interrupts),
            "interrupts_off": None if off is None else {
                "t_states": off.length, "t": off.t, "from": off.start, "to": off.end}}


def speedscope(found: Profile, name: str) -> dict[str, Any]:
    """Give the trees in the file format of the profile viewer speedscope, sampled, in ns.

    Source: its published schema, file-format-schema.json, from memory.
    """
    frames: list[dict[str, Any]] = []
    numbers: dict[Any, int] = {}

    def number(key: Any, words: str, line: SourceLine | None = None) -> int:
        if key not in numbers:
            numbers[key] = len(frames)
            frames.append({"name": words} | (
                {} if line is None else {"file": line.file, "line": line.line}))
        return numbers[key]

    def profiled(title: str, trees: list[Node]) -> dict[str, Any]:
        samples: list[list[int]] = []
        weights: list[float] = []

        def walk(node: Node, above: list[int]) -> None:
            stack = [*above, number(id(node.function), node.function.name, node.function.line)]
            for t, path in ((node.own, stack), (node.idle, [*stack, number("HALT", "HALT")])):
                if t:
                    samples.append(path)
                    weights.append(float(t / found.hz * 10**9))
            for child in node.children:
                walk(child, stack)

        for tree in trees:
            walk(tree, [])
        return {"type": "sampled", "name": title, "unit": "nanoseconds", "startValue": 0,
                "endValue": sum(weights), "samples": samples, "weights": weights}

    return {"$schema": "https://www.speedscope.app/file-format-schema.json", "name": name,
            "exporter": "preburn", "activeProfileIndex": 0,
            "profiles": [profiled(title, trees) for title, trees in (
                ("program", found.program), ("interrupts", found.interrupts)) if trees],
            "shared": {"frames": frames}}
