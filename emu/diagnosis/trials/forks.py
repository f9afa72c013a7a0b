"""Experiments in a forked copy: what would make the machine go on?

A trial proves what reading the code can only suggest.  Each compares two forks of the
same length: one left alone, one with the change; code that runs outside interrupt
handlers only in the changed one is what the change woke.
"""
from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from emu.diagnosis.evidence.bus_window import forked, windows
from emu.errors import InputError
from emu.isa.opcodes import JP, JR_BACK_TO_HALT
from emu.machine.machine import Machine
from emu.machine.places import place
from emu.run.console import channels
from emu.run.inputs import Input, checked, make

SETTLE = 0.25  # seconds a trial lasts


@dataclass
class Activity:
    """What a stretch of a run did outside and inside interrupt handlers."""

    code: set[int]  # addresses fetched outside handlers
    handler_code: set[int]
    handler_writes: set[int]
    shown: int = 0  # characters that came to the terminals


def shown(machine: Machine) -> int:
    """Count the characters that the terminals have shown so far."""
    return sum(int(c.line.shown_in) for c in channels(machine))


def activity(machine: Machine, t_states: int, open_low: int = -1) -> Activity:
    """Run on and gather what happened; ``open_low`` as in `windows`."""
    done = Activity(set(), set(), set())
    before = shown(machine)
    for window in windows(machine, t_states, open_low):
        done.code |= window.executed(False)
        done.handler_code |= window.executed(True)
        done.handler_writes |= window.writes(True)
    done.shown = shown(machine) - before
    return done


def alone(machine: Machine, t_states: int) -> Activity:
    """Give what the machine does when nothing is changed."""
    with forked(machine):
        return activity(machine, t_states)


def nudged(machine: Machine, t_states: int) -> set[int]:
    """Give the code that runs when HALT ends with nothing else changed.

    Any interrupt makes an idle loop look round once; that is no sign of life.
    """
    with forked(machine):
        machine.m.halted = 0
        return activity(machine, t_states).code


def keystroke(machine: Machine, type_key: Callable[[str, bytes], None],
              control: Activity, idle: set[int]) -> str | None:
    """Type a key at each terminal in a fork; name the channel whose foreground wakes."""
    known = control.code | control.handler_code | idle
    for channel in channels(machine):
        for keys in (b"\r", b"x\r"):
            with forked(machine):
                if _heeds(machine, type_key, channel.name, keys, known):
                    return channel.name
    return None


def hand(machine: Machine, control: Activity, idle: set[int],
         asked: set[int]) -> tuple[str, str] | None:
    """Do in a fork what a person may do at a card: (card, deed) that wakes the foreground.

    ``asked``: slots whose ports the foreground reads; no other card is waited for.
    """
    known = control.code | control.handler_code | idle
    for slot in machine.slots:
        for deed in slot.card.hands(machine.m, slot.state) if slot.number in asked else ():
            with forked(machine):
                try:
                    make(machine, checked(machine, Input(
                        int(machine.m.t), deed.kind, f"{slot.name}.{deed.name}", deed.value)))
                except InputError:
                    continue
                woken = activity(machine, machine.at(SETTLE))
            if woken.code - known:
                return f"slot {slot.name} ({slot.card.name})", deed.words
    return None


def _heeds(machine: Machine, type_key: Callable[[str, bytes], None], channel: str, keys: bytes,
           known: set[int]) -> bool:
    """Type keys: does a fork wake, and answer, or go on, or heed another key after that?

    One that runs a few instructions and then sleeps for good has not waited for a key alone.
    """
    type_key(channel, keys)
    woken = activity(machine, machine.at(SETTLE))
    if not woken.code - known:
        return False
    if woken.shown or activity(machine, machine.at(SETTLE)).code - known:
        return True
    type_key(channel, keys)
    again = activity(machine, machine.at(SETTLE))
    return bool(again.shown or again.code - known)


def write_memory(machine: Machine, address: int, value: int) -> None:
    """Write a byte through the page map, where plain RAM answers."""
    at = place(machine, address, True)
    if at >= 0:
        machine.m.phys[at] = value


def read_memory(machine: Machine, address: int) -> int:
    """Read a byte through the page map; FFh where plain memory does not answer."""
    at = place(machine, address)
    return int(machine.m.phys[at]) if at >= 0 else 0xFF


def read_word(machine: Machine, address: int) -> int:
    """Read a word, low byte first."""
    return read_memory(machine, address) | read_memory(machine, (address + 1) & 0xFFFF) << 8


def interrupt(machine: Machine, handler: int) -> bool:
    """Enter a handler as an accepted interrupt would; False when the CPU keeps them off."""
    m = machine.m
    limit = int(m.t) + machine.at(0.02)
    while not (int(m.iff1) and not int(m.after_ei) and not int(m.prefix)):
        if int(m.t) >= limit:
            return False
        machine.run(int(m.t) + (1 if int(m.iff1) else 50))
    m.halted = 0
    m.iff1 = m.iff2 = 0
    sp = (int(m.sp) - 2) & 0xFFFF
    write_memory(machine, sp, int(m.pc) & 0xFF)
    write_memory(machine, (sp + 1) & 0xFFFF, int(m.pc) >> 8)
    m.sp = sp
    m.pc = handler
    m.q = 0
    m.t += 19
    return True


def woken_by_key(machine: Machine, type_now: Callable[[str, bytes], None]) -> str | None:
    """Type at a machine of its own, as it stands at its run's end: the channel that it heeds."""
    control = alone(machine, machine.at(SETTLE * 1.2))
    return keystroke(machine, type_now, control, nudged(machine, machine.at(0.05)))


def registers(machine: Machine) -> tuple[Any, ...]:
    """Give the CPU's state but for R, MEMPTR and Q, which time alone changes."""
    m = machine.m
    return (tuple(np.asarray(m.r).tolist()), tuple(np.asarray(m.alt).tolist()), int(m.pc),
            int(m.sp), int(m.i), int(m.iff1), int(m.im))


def memory_digest(machine: Machine, leave_out: list[int]) -> int:
    """Digest physical memory without some places that a handler keeps changing."""
    memory = machine.snapshot().memory
    memory[leave_out] = 0
    return zlib.crc32(memory.data)


def physical(machine: Machine, addresses: set[int]) -> list[int]:
    """Give where addresses lie in physical RAM now."""
    return [at for a in addresses if (at := place(machine, a, True)) >= 0]


def halts_for_good(machine: Machine) -> bool:
    """Tell whether it halts with interrupts off and a jump behind the HALT leads back to it.

    That is a program's end, or its panic.
    """
    if not int(machine.m.halted) or int(machine.m.iff1):
        return False
    halt = (int(machine.m.pc) - 1) & 0xFFFF
    behind = [read_memory(machine, (halt + k) & 0xFFFF) for k in (1, 2, 3)]
    return behind[:2] == list(JR_BACK_TO_HALT) or behind == [JP, halt & 0xFF, halt >> 8]
