"""Changes of a program, as a mend of a run that is done again: see `Mend`.

Each stands for one line of a source: an instruction left out, a routine with interrupts off, a
register kept, a bit of a byte that goes to a port, another stack, another constant.
"""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from emu.diagnosis.trials.forks import read_memory, read_word
from emu.diagnosis.trials.mending import Mend, MendedMachine, page_map, put_back
from emu.isa.opcodes import ED, NOP, OUT_BLOCK, OUT_C_R, OUT_N_A
from emu.machine.machine import Machine
from emu.machine.places import place

OFTEN = 40_000  # times, where it acts at each call of a routine that handlers have to do with
SEVERAL = 1500  # times that a change acts in one run, where it acts at each call
ROUNDS = 2  # times that a routine comes by an instruction before it is said to wait there
A = 7
REGISTERS = (0, 1, 2, 3, 4, 5, None, A)  # of OUT (C),r, by bits 5 to 3 of its second byte
# Registers that a caller may count on, by their index in the record's ``r`` and ``alt``.
GROUPS: tuple[tuple[str, tuple[int, ...], bool], ...] = (
    ("BC", (0, 1), False), ("DE", (2, 3), False), ("HL", (4, 5), False),
    ("IX", (8, 9), False), ("IY", (10, 11), False),
    ("the other register set", tuple(range(8)), True))


def patched(place: int, value: int, words: str) -> Mend:
    """Have another byte in physical memory from power-on, in a ROM as well."""

    def power_on(machine: Machine) -> None:
        machine.m.phys[place] = value

    return Mend(words, power_on=power_on)


def left_out(places: list[int], words: str) -> Mend:
    """Have a NOP in place of each of some instructions of one byte."""

    def power_on(machine: Machine) -> None:
        machine.m.phys[places] = NOP

    return Mend(words, power_on=power_on)


def _at_calls(routine: int, enter: Callable[[Machine], Any],
              leave: Callable[[Machine, Any], None], words: str, most: int = SEVERAL) -> Mend:
    """Act where a routine is called and where that call comes back; ``enter`` gives what ``leave``
    takes, None for nothing to be done."""
    found: dict[int, Any] = {}

    def back(machine: Machine) -> None:
        kept = found.pop((int(machine.m.sp) - 2) & 0xFFFF, None)
        if kept is not None:
            leave(machine, kept)

    def come(machine: Machine) -> None:
        kept = enter(machine)
        sp = int(machine.m.sp)
        if kept is not None:
            found[sp] = kept
            if isinstance(machine, MendedMachine):
                machine.come_by(read_word(machine, sp), back)

    return Mend(words, {routine: come}, most=most)


def held_off(routine: int, words: str, longest: list[int]) -> Mend:
    """Keep interrupts off from each call of a routine until it comes back, or until it lets them in
    itself; ``longest[0]`` becomes the T-states of the longest time they were kept off."""

    def enter(machine: Machine) -> object:
        m = machine.m
        if not int(m.iff1) or int(m.after_ei):
            return None
        m.iff1 = m.iff2 = 0
        return int(m.t)

    def leave(machine: Machine, since: int) -> None:
        if not int(machine.m.iff1):
            longest[0] = max(longest[0], int(machine.m.t) - since)
            machine.m.iff1 = machine.m.iff2 = 1
            machine.m.next_event = 0

    return _at_calls(routine, enter, leave, words, OFTEN)


def held_off_but_in_waits(routine: int, code: list[int], words: str,
                          longest: list[int]) -> Mend:
    """Keep interrupts off in a routine's instructions, but let one in wherever it goes round.

    ``code``: where the routine's instructions begin, as many as there are stops; ``longest`` as in
    `held_off`.
    """
    visits: dict[int, int] = {}
    since = [0]  # when they were put off, 0: they are not

    def act(machine: Machine) -> None:
        m = machine.m
        pc = int(m.pc)
        if pc == routine:
            visits.clear()
            if isinstance(machine, MendedMachine):
                machine.come_by(read_word(machine, int(m.sp)), back)
        visits[pc] = visits.get(pc, 0) + 1
        if visits[pc] > ROUNDS:
            if since[0]:
                back(machine)
        elif int(m.iff1) and not int(m.after_ei):
            m.iff1 = m.iff2 = 0
            since[0] = int(m.t)

    def back(machine: Machine) -> None:
        if since[0] and not int(machine.m.iff1):
            longest[0] = max(longest[0], int(machine.m.t) - since[0])
            machine.m.iff1 = machine.m.iff2 = 1
            machine.m.next_event = 0
        since[0] = 0

    return Mend(words, dict.fromkeys(code, act), most=OFTEN)


def _bank(machine: Machine, other_set: bool) -> Any:
    return machine.m.alt if other_set else machine.m.r


def kept(routine: int, group: tuple[str, tuple[int, ...], bool], words: str) -> Mend:
    """Give back, where a routine comes back, what some registers held at its call."""
    _, indices, other_set = group

    def enter(machine: Machine) -> object:
        return np.array(_bank(machine, other_set))[list(indices)]

    def leave(machine: Machine, found: Any) -> None:
        _bank(machine, other_set)[list(indices)] = found

    return _at_calls(routine, enter, leave, words)


def pages_put_back(routine: int, words: str) -> Mend:
    """Put back, where a routine comes back, the pages that its call found."""
    return _at_calls(routine, page_map, put_back, words)


def kept_through_switch(entry: int, ends: list[int], group: tuple[str, tuple[int, ...], bool],
                        words: str) -> Mend:
    """Give back what some registers held when a task gave way, where it goes on.

    The task is known by its stack: SP at the call of the switch is SP at the return that ends it.
    """
    _, indices, other_set = group
    found: dict[int, Any] = {}

    def enter(machine: Machine) -> None:
        found[int(machine.m.sp)] = np.array(_bank(machine, other_set))[list(indices)]

    def leave(machine: Machine) -> None:
        before = found.pop(int(machine.m.sp), None)
        if before is not None:
            _bank(machine, other_set)[list(indices)] = before

    return Mend(words, {entry: enter, **dict.fromkeys(ends, leave)}, most=4 * SEVERAL)


def stack_at(pc: int, top: int, words: str) -> Mend:
    """Let the instruction that sets the stack set another one."""

    def act(machine: Machine) -> None:
        Machine.run(machine, int(machine.m.t) + 1)
        machine.m.sp = top

    return Mend(words, {pc: act})


def delayed(places: list[int], t_states: int) -> Mend:
    """Let a little time go by wherever the run comes to some instructions: interrupts come
    elsewhere then, and nothing else is changed."""

    def act(machine: Machine) -> None:
        machine.m.t += t_states
        machine.m.next_event = 0

    return Mend("", dict.fromkeys(places, act), most=SEVERAL)


def bits_turned(pc: int, value: int, bits: int, words: str) -> Mend:
    """Turn bits of a byte that an OUT at ``pc`` gives, where it gives ``value``.

    OUTI and its kin take the byte from memory, the others from a register.
    """

    def act(machine: Machine) -> None:
        m = machine.m
        given = outgoing(machine)
        if given is None or given.value != value:
            return
        if given.register is not None:
            m.r[given.register] ^= bits
        elif given.place >= 0:
            m.phys[given.place] ^= bits
        Machine.run(machine, int(m.t) + 1)
        if given.register is not None:
            m.r[given.register] ^= bits
        elif given.place >= 0:
            m.phys[given.place] ^= bits

    return Mend(words, {pc: act}, most=SEVERAL)


@dataclass(frozen=True)
class Outgoing:
    """A byte that an OUT is about to give."""

    port: int  # A15-A0
    value: int
    register: int | None  # index in the record's ``r``; None: from memory
    place: int = -1  # in physical memory


def outgoing(machine: Machine) -> Outgoing | None:
    """Tell what the instruction before which the CPU stands puts out; None when it is no OUT."""
    m = machine.m
    pc = int(m.pc)
    first, second = (read_memory(machine, (pc + k) & 0xFFFF) for k in (0, 1))
    bc = int(m.r[0]) << 8 | int(m.r[1])
    if first == OUT_N_A:
        return Outgoing(int(m.r[A]) << 8 | second, int(m.r[A]), A)
    if first == ED and second in OUT_C_R:
        register = REGISTERS[second >> 3 & 7]
        return None if register is None else Outgoing(bc, int(m.r[register]), register)
    if first == ED and second in OUT_BLOCK:
        hl = int(m.r[4]) << 8 | int(m.r[5])
        return Outgoing(bc, read_memory(machine, hl), None, place(machine, hl))
    return None
