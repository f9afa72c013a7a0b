"""Processes of a program with several, told apart by their stacks.

No kernel is known: a step belongs to the stack that it or the last step before it used.
A process that only looks, and whose look is in vain, waits for ever, however lively the
others are.
"""
from __future__ import annotations

from emu.diagnosis.evidence.trace import Step
from emu.diagnosis.evidence.waits import Wait

NEAR = 96  # bytes between two uses of one stack


def stacks(run: list[Step]) -> list[int]:
    """Number the stack that each step runs on: 0, 1, ... by first use, -1 before any."""
    out = []
    tops: list[int] = []
    now = -1
    for step in run:
        used = _used(step)
        if used is not None and not step.handler:
            now = next((k for k, top in enumerate(tops) if abs(top - used) <= NEAR), len(tops))
            if now == len(tops):
                tops.append(used)
            tops[now] = used
        out.append(now)
    return out


def _used(step: Step) -> int | None:
    """Give the stack address that an instruction uses."""
    if "SP" not in step.effect.pointer:
        return None
    access = step.writes or step.reads
    return access[0][0] if access else None


def pollers(run: list[Step], waits: list[Wait]) -> list[Wait]:
    """Give the waits of processes that do nothing but look at memory that stays as it is.

    Code that several processes run (a kernel's) does not count as anybody's doing.
    """
    numbers = stacks(run)
    runners: dict[int, set[int]] = {}
    doers: dict[int, set[int]] = {}  # stack -> instructions that write or put out
    written: set[int] = set()
    for step, number in zip(run, numbers, strict=True):
        written.update(a for a, _ in step.writes)
        if step.handler:
            continue
        runners.setdefault(step.pc, set()).add(number)
        puts_out = any(target == "O" for target, _ in step.effect.moves)
        if puts_out or (step.writes and "SP" not in step.effect.pointer):
            doers.setdefault(number, set()).add(step.pc)
    if len(set(numbers) - {-1}) < 2:
        return []
    out = []
    for wait in waits:
        mine = runners.get(wait.pc, set())
        idle = len(mine) == 1 and all(
            len(runners[pc]) > 1 for number in mine for pc in doers.get(number, set()))
        memory = [load for load in wait.memory() if load.direct]
        if idle and memory and not wait.counting and not wait.handlers and not wait.ports() \
                and not any(load.address in written for load in memory):
            out.append(wait)
    return out
