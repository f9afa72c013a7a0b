"""Run one function of a machine: result, T-states, stack, covered source lines."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from emu.errors import InputError
from emu.logs.kinds import INSTRUCTION, PC, SP
from emu.logs.records import Chunk
from emu.logs.tracer import Tracer
from emu.machine.register_names import HALVES, REGISTERS, Register
from emu.testing.conventions import Frame, result
from emu.testing.places import Places

STRETCH = 100_000  # T-states between looks for the return
KEPT = (*HALVES, "sp", "pc")  # the interrupted program's registers


@dataclass(frozen=True)
class Called:
    """What a call did.

    ``registers`` are those at the return; ``stack_bytes`` the most that lay on the stack
    below the arguments, the return address included; ``executed`` every address at which
    an instruction began; ``lines`` the source lines they come from, by file.
    """

    value: int | None
    registers: Mapping[str, int]
    t_states: int
    stack_bytes: int
    executed: frozenset[int]
    lines: Mapping[str, frozenset[int]]


class NeverReturned(AssertionError):
    """A function did not return within its T-state budget."""


def call(places: Places, where: str | int, frame: Frame, returns: str | None, convention: str,
         budget: int) -> Called:
    """Call a function of the machine as it stands; afterwards the machine goes on as before.

    Memory, ports and time keep what the function did; the CPU's registers are put back.
    Raises NeverReturned when the budget (T-states) is spent first.
    """
    machine, m = places.machine, places.machine.m
    before = {name: REGISTERS[name].get(m) for name in KEPT}
    halted = int(m.halted)
    entry = places.spot(where).address
    saved = machine.snapshot()
    _enter(places, entry, frame, before)
    top = int(m.sp)
    traced = _trace(places, before["pc"], top, budget)
    machine.restore(saved)
    if traced is None:
        raise NeverReturned(f"{where} did not return within {budget} T-states; it was in "
                            f"{_last(places, entry, frame, before, budget)}.")
    end, executed, lowest = traced
    _enter(places, entry, frame, before)
    start = int(m.t)
    machine.run(end)
    now = {name: register.get(m) for name, register in REGISTERS.items()}
    lines: dict[str, set[int]] = {}
    for address in executed:
        line = places.names.line(address)
        if line is not None:
            lines.setdefault(line.file, set()).add(line.line)
    for name, value in before.items():
        REGISTERS[name].put(m, value)
    m.halted = halted
    return Called(result(now, returns, convention), now, end - start, top + 2 - lowest,
                  frozenset(executed), {file: frozenset(seen) for file, seen in lines.items()})


def register(name: str, value: int = 0) -> Register:
    """Find a register that can hold a value; InputError for an unknown name or a large value."""
    if name not in REGISTERS:
        raise InputError(f"there is no register {name!r}; known are {', '.join(REGISTERS)}.")
    if not 0 <= value < 1 << REGISTERS[name].bits:
        raise InputError(f"{name} has {REGISTERS[name].bits} bits; {value} does not fit.")
    return REGISTERS[name]


def _enter(places: Places, entry: int, frame: Frame, before: Mapping[str, int]) -> None:
    """Lay the arguments and the return address on the stack, and set PC and registers."""
    m = places.machine.m
    for name, value in frame.registers.items():
        register(name, value).put(m, value)
    stack = before["pc"].to_bytes(2, "little") + frame.stack
    m.sp = (before["sp"] - len(stack)) & 0xFFFF
    places.write(int(m.sp), stack)
    m.pc = entry
    m.halted = 0


def _trace(places: Places, back: int, top: int, budget: int) -> tuple[int, set[int], int] | None:
    """Run until the return; give its T-state, the addresses executed and the lowest SP."""
    machine = places.machine
    chunks: list[Chunk] = []
    tracer = Tracer(machine, chunks.append)
    end = int(machine.m.t) + budget
    executed: set[int] = set()
    lowest = top
    found: int | None = None
    try:
        while found is None and int(machine.m.t) < end:
            tracer.run(min(int(machine.m.t) + STRETCH, end))
            if int(machine.m.t) >= end:
                tracer.close()
            while chunks and found is None:
                chunk = chunks.pop(0)
                at = _return(chunk, back, top)
                stop = len(chunk) if at is None else at
                codes = chunk.registers[:stop, PC][chunk.kind[:stop] == INSTRUCTION]
                executed.update(codes.tolist())
                lowest = min(lowest, int(chunk.registers[:stop + 1, SP].min()))
                found = None if at is None else int(chunk.t[at])
    finally:
        machine.log(False)
    return None if found is None else (found, executed, lowest)


def _return(chunk: Chunk, back: int, top: int) -> int | None:
    """Find the record at which the function has come back: PC as before, SP above the return."""
    pc, sp = chunk.registers[:, PC], chunk.registers[:, SP].astype(np.int64)
    places = np.flatnonzero((pc == back) & (sp >= top + 2))
    return int(places[0]) if len(places) else None


def _last(places: Places, entry: int, frame: Frame, before: Mapping[str, int],
          budget: int) -> str:
    """Say where a function is that spent its budget."""
    machine: Any = places.machine
    saved = machine.snapshot()
    _enter(places, entry, frame, before)
    machine.run(int(machine.m.t) + budget)
    words = places.names.at(int(machine.m.pc))
    machine.restore(saved)
    return words
