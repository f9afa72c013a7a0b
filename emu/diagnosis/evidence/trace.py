"""Instructions read back from a stretch of the bus log, and slices through their data.

`steps` turns bus cycles into instructions with what each read and wrote; `Flow` links
every value used to the instruction that made it, handlers included, so that a branch can
be followed back to the memory bytes, ports and registers that decide it.
"""
from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from emu.bus.state import FETCH, IN, OUT, READ, WRITE
from emu.diagnosis.evidence.bus_window import Window
from emu.isa.effects import Effect, effect
from emu.isa.opcodes import CB, DD, ED, FD, PREFIXES

LONGEST = 12000  # instructions of a window that are looked at
SLICE = 3000  # steps of one slice


@dataclass
class Step:
    """One instruction as it ran."""

    pc: int
    effect: Effect
    handler: bool  # ran inside an interrupt handler
    code: bytes
    reads: list[tuple[int, int]] = field(default_factory=list)  # address, byte
    writes: list[tuple[int, int]] = field(default_factory=list)
    port: tuple[int, int, int] | None = None  # address, byte, driver
    links: dict[str, int | None] = field(default_factory=dict)  # place used -> its maker
    jumped: bool = False  # the next instruction is not the one behind it
    t: int = 0  # T-state at which it began


def steps(window: Window) -> list[Step]:
    """Give the last instructions of a window, oldest first, complete ones only."""
    starts = window.starts()[-LONGEST - 1:]
    kinds, addresses = window.kind.tolist(), window.address.tolist()
    data, drivers = window.data.tolist(), window.driver.tolist()
    inside = window.depth.tolist()
    out = []
    for k, stop in zip(starts.tolist()[:-1], starts.tolist()[1:], strict=True):
        step, at = _instruction(kinds, addresses, data, k, stop)
        if step is None:
            continue
        step.handler = inside[k]
        step.t = int(window.t[k])
        following = addresses[stop]
        for j in range(at, stop):
            kind = kinds[j]
            if kind == READ:
                step.reads.append((addresses[j], data[j]))
            elif kind == WRITE:
                step.writes.append((addresses[j], data[j]))
            elif kind in (IN, OUT):
                step.port = (addresses[j], data[j], drivers[j])
            elif kind != FETCH:
                following = addresses[j]  # an acknowledge, with the PC that it will push
                break
        step.jumped = following != (step.pc + step.effect.length) & 0xFFFF
        out.append(step)
    return out


def _instruction(kinds: list[int], addresses: list[int], data: list[int], k: int,
                 stop: int) -> tuple[Step | None, int]:
    """Decode the instruction that begins at cycle k; the index of its first data cycle."""
    pc, prefix, second, at = addresses[k], 0, 0, k
    while at < stop and kinds[at] == FETCH and data[at] in PREFIXES:
        if prefix in (CB, ED):
            break
        if data[at] == CB and prefix in (DD, FD):
            second = CB
            break
        prefix = data[at]
        at += 1
    if second:
        if at + 2 >= stop:
            return None, stop
        code, at = data[at + 2], at + 3
        return Step(pc, effect(prefix, second, code), False, bytes((prefix, second, code))), at
    if at >= stop or kinds[at] != FETCH:
        return None, stop
    what = effect(prefix, 0, data[at])
    raw = bytes((prefix, data[at])) if prefix else bytes((data[at],))
    operands = what.length - len(raw)
    at += 1
    if at + operands > stop:
        return None, stop
    raw += bytes(data[at:at + operands])
    return Step(pc, what, False, raw), at + operands


class Flow:
    """The data flow of a list of steps."""

    def __init__(self, run: list[Step]) -> None:
        self.steps = run
        makers: dict[str | int, int] = {}
        before: dict[str | int, int] | None = None  # as the interrupted code left them
        for k, step in enumerate(run):
            if step.handler and before is None:
                before = dict(makers)
            elif not step.handler and before is not None:
                self._restored(makers, before)
                before = None
            what = step.effect
            used = set(what.pointer) | set(what.asks)
            for _, sources in what.moves:
                used.update(sources)
            for place in used:
                key = self._place(step, place)
                step.links[place] = makers.get(key) if key is not None else None
            for target, _ in what.moves:
                key = self._place(step, target)
                if key is not None:
                    makers[key] = k
            if what.flow == "return" and step.reads:
                for place, (address, _) in zip(("M0", "M1"), step.reads, strict=False):
                    step.links[place] = makers.get(address)

    def _restored(self, makers: dict[str | int, int], before: dict[str | int, int]) -> None:
        """Forget the handler's part in registers that it has saved and brought back."""
        for name in [n for n in makers if isinstance(n, str) and n != "SP"]:
            if makers[name] != before.get(name) and \
                    self._origin(name, makers[name]) == (name, before.get(name)):
                if name in before:
                    makers[name] = before[name]
                else:
                    del makers[name]

    def _origin(self, name: str, at: int) -> tuple[str | int, int | None]:
        """Follow copies made by a handler back to where a register's value was before it."""
        place: str | int = name
        maker: int | None = at
        for _ in range(8):
            if maker is None or not self.steps[maker].handler:
                break
            made = self.steps[maker]
            sources = next((found for target, found in made.effect.moves
                            if self._place(made, target) == place), ())
            if len(sources) != 1 and name not in sources:  # PUSH AF: both flag places
                break
            source = sources[0] if len(sources) == 1 else name
            key = self._place(made, source)
            if key is None:
                break
            place, maker = key, made.links.get(source)
        return place, maker

    @staticmethod
    def _place(step: Step, place: str) -> str | int | None:
        """Give where a place of an instruction lies: a register's name or an address."""
        if place in ("M0", "M1"):
            k = int(place[1])
            return step.reads[k][0] if k < len(step.reads) else None
        if place in ("W0", "W1"):
            k = int(place[1])
            return step.writes[k][0] if k < len(step.writes) else None
        if place in ("P", "O"):
            return None
        return place

    def slice(self, k: int) -> Sources:
        """Follow what decides step k back to where it comes from."""
        found = Sources()
        work = [(k, place, True) for place in self.steps[k].effect.asks]
        if not work and self.steps[k].effect.flow == "return":
            work = [(k, place, True) for place in ("M0", "M1")]
        if not work and self.steps[k].effect.flow == "indirect":
            work = [(k, place, True) for place in self.steps[k].effect.pointer]
        seen = set(work)
        while work and len(seen) < SLICE:
            at, place, value = work.pop()
            for item in self._before(found, at, place, value):
                if item not in seen:
                    seen.add(item)
                    work.append(item)
        found.steps = {at for at, _, _ in seen}
        return found

    def _before(self, found: Sources, at: int, place: str,
                value: bool) -> list[tuple[int, str, bool]]:
        """Go one step back from a place that step ``at`` uses."""
        step = self.steps[at]
        out = []
        if place in ("M0", "M1") and int(place[1]) < len(step.reads):
            out = [(at, p, False) for p in step.effect.pointer if p != "SP"]
        if place == "P":
            if step.port is not None:
                found.ports.append((at, value))
            return []
        maker = step.links.get(place)
        if maker is None:
            key = self._place(step, place)
            if isinstance(key, int):
                found.memory.append((at, key, step.reads[int(place[1])][1], value))
            elif key is not None:
                found.registers.add(key)
            return out
        made = self.steps[maker]
        for target, sources in made.effect.moves:
            if self._place(made, target) == self._place(step, place):
                out += [(maker, source, value) for source in sources]
        return out


@dataclass
class Sources:
    """Where a decision comes from: ``value`` False marks what only made an address."""

    memory: list[tuple[int, int, int, bool]] = field(default_factory=list)  # step, at, byte
    ports: list[tuple[int, bool]] = field(default_factory=list)  # step, value
    registers: set[str] = field(default_factory=set)  # unchanged since before the first step
    steps: set[int] = field(default_factory=set)

    def join(self, other: Sources) -> None:
        """Take in what another slice has found."""
        self.memory += other.memory
        self.ports += other.ports
        self.registers |= other.registers
        self.steps |= other.steps


def executed(window: Window) -> set[int]:
    """Give the addresses at which the foreground's instructions begin."""
    starts = window.starts()
    return set(np.unique(window.address[starts[~window.depth[starts]]]).tolist())
