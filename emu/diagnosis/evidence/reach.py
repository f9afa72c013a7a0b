"""Which code can be come to from an address, as far as its bytes show."""
from __future__ import annotations

from emu.diagnosis.trials.forks import read_memory
from emu.isa.disassembler import disassemble
from emu.machine.machine import Machine

MOST = 1500  # instructions of one search
ENDS = ("jump", "return", "indirect", "halt")  # nothing goes on behind these by itself


def reach(machine: Machine, entry: int) -> set[int]:
    """Give the addresses of the instructions that can be come to, calls and branches followed."""
    todo = [entry]
    seen: set[int] = set()
    while todo and len(seen) < MOST:
        at = todo.pop() & 0xFFFF
        if at in seen:
            continue
        seen.add(at)
        step = disassemble(lambda a: read_memory(machine, a & 0xFFFF), at)
        if step.target is not None and step.flow != "restart":
            todo.append(step.target)
        if step.flow not in ENDS:
            todo.append(at + step.length)
    return seen
