"""Causes on the I/O side: a loop that waits for a port."""
from __future__ import annotations

import numpy as np

from emu import stops
from emu.diagnosis.case import Case
from emu.diagnosis.check import STUCK, Check
from emu.diagnosis.trials import activity, alone
from emu.diagnosis.verdict import HUNG, TRIED, Cause, Finding
from emu.diagnosis.window import forked
from emu.machine import Machine
from emu.state import FETCH, IN, NOBODY, STOP_HIT, STOP_IN, A, F

SILENT_PORT = Cause(
    "silent-port", "Polling a port that no card drives",
    "The machine hangs while it looks for a device.",
    "A loop reads a port until a bit changes, but no card answers there: with pull-ups the "
    "value is FFh for ever.",
    "Fit the card, or set its base address to the port the program reads; and give every "
    "wait in the program a time-out.", ("D1",))

ENOUGH = 8  # reads of one port by one instruction within 20 ms that make a poll


def silent_port(case: Case) -> Finding | None:
    """Check for a poll of an undriven port, and prove it by answering in its place."""
    window = case.last
    ins = window.where(IN)
    empty = ins[window.driver[ins] == NOBODY]
    if len(empty) < ENOUGH:
        return None
    low = window.address[empty] & 0xFF
    port = int(np.bincount(low, minlength=256).argmax())
    polls = empty[low == port]
    if len(polls) < ENOUGH:
        return None
    pc = _reader(window, int(polls[0]))
    value = int(window.data[polls[-1]])
    freed = releasing_values(case, port, value)
    if not freed:
        return None
    bits = _bits(freed, value)
    nearest = _nearest_card(case.machine, port)
    return Finding(
        SILENT_PORT, HUNG,
        f"{case.names.at(pc)} polls port {port:02X}h, which no card drives.",
        [f"Port {port:02X}h was read {int(case.m.port_reads[port])} times; no card decodes it, "
         f"so the bus reads {value:02X}h each time.",
         f"The loop is {case.loop()}.",
         f"In a copy of the machine {bits} let it go on.", *nearest],
        [f"Fit the card that the program expects at port {port:02X}h, or set a fitted card's "
         f"base (or the program's port number) so that they agree.",
         f"Give the wait at {case.names.at(pc)} a time-out."],
        {"port": f"{port:02X}", "pc": f"{pc:04X}"}, TRIED)


def _reader(window: object, at: int) -> int:
    """Give the address of the instruction that made the I/O cycle number ``at``."""
    starts = window.starts()  # type: ignore[attr-defined]
    before = starts[starts < at]
    return int(window.address[before[-1]]) if len(before) else 0  # type: ignore[attr-defined]


def releasing_values(case: Case, port: int, value: int) -> list[int]:
    """List the bytes that, read from the port instead, let the loop go on."""
    control = alone(case.machine, case.machine.at(0.1)).code
    single = [value ^ (1 << bit) for bit in range(8)]
    good = [v for v in single if _goes_on(case.machine, port, v, control)]
    return good or [v for v in range(256) if _goes_on(case.machine, port, v, control)]


def _goes_on(machine: Machine, port: int, value: int, control: set[int]) -> bool:
    """Tell whether new code runs once the port has answered with a value."""
    with forked(machine):
        if not answer_port(machine, port, value):
            return False
        return bool(activity(machine, machine.at(0.002)).code - control)


def answer_port(machine: Machine, port: int, value: int) -> bool:
    """Run to the next read of a port and put a value in place of what was read."""
    m = machine.m
    stops.arm(m, [stops.Row(STOP_IN, port, port)])
    machine.log(True)
    end = int(m.t) + machine.at(0.2)
    reason = machine.run(end)
    while reason != STOP_HIT and int(m.t) < end:
        reason = machine.run(end)
    opcode = _last_opcode(machine)
    stops.disarm(m)
    machine.log(False)
    if reason != STOP_HIT:
        return False
    register = A if opcode == 0xDB else (opcode >> 3) & 7
    if register != F:
        m.r[register] = value
    if opcode != 0xDB:  # IN r,(C) sets the flags
        parity = 0 if value.bit_count() & 1 else 4
        m.r[F] = (int(m.r[F]) & 1) | (value & 0xA8) | (0x40 if value == 0 else 0) | parity
    return True


def _last_opcode(machine: Machine) -> int:
    """Give the opcode of the instruction that has just read a port."""
    from emu.diagnosis.window import decode

    window = decode(machine)
    fetches = window.where(FETCH)
    return int(window.data[fetches[-1]]) if len(fetches) else 0xDB


def _bits(freed: list[int], value: int) -> str:
    """Say in words which answers let the loop go on."""
    single = [v for v in freed if (v ^ value).bit_count() == 1]
    if single:
        named = [f"bit {(v ^ value).bit_length() - 1} = {(v >> ((v ^ value).bit_length() - 1)) & 1}"
                 for v in single]
        return "an answer with " + " or ".join(named)
    some = " or ".join(f"{v:02X}h" for v in freed[:4])
    return f"an answer of {some}" + (f" ({len(freed)} of 256 values)" if len(freed) > 4 else "")


def _nearest_card(machine: Machine, port: int) -> list[str]:
    """Name the fitted card whose ports lie nearest, within 8."""
    slots = np.asarray(machine.m.port_slot)
    taken = np.nonzero(slots >= 0)[0]
    if len(taken) == 0:
        return []
    near = int(taken[np.abs(taken - port).argmin()])
    if abs(near - port) > 8:
        return []
    slot = machine.slots[int(slots[near])]
    return [f"The nearest port that answers is {near:02X}h, of slot {slot.name} "
            f"({slot.card.name})."]


CHECKS = (Check(silent_port, SILENT_PORT, (STUCK,), trial=True),)
