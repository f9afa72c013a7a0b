"""A loop that waits for a port: of no card, or a bit of a card that never changes."""
from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from emu.bus import stops
from emu.bus.state import CONFLICT, FETCH, IN, NOBODY, OUT, STOP_HIT, STOP_IN, A, F
from emu.card.cause import STUCK, Cause
from emu.card.roles import CTS_INACTIVE, DATA
from emu.diagnosis.case import Case
from emu.diagnosis.causes.interrupt_path import RECEIVER_OFF
from emu.diagnosis.causes.kept_bytes import BLOCKED_TRANSMITTER
from emu.diagnosis.causes.troubles import told, troubles_of
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import decode, forked, look
from emu.diagnosis.evidence.sources import state_words
from emu.diagnosis.evidence.waits import Load, Wait
from emu.diagnosis.trials.moments import death
from emu.diagnosis.verdict import HUNG, TRIED, Finding
from emu.isa.opcodes import IN_A_N
from emu.machine.machine import Machine

SILENT_PORT = Cause(
    "silent-port", "Polling a port that no card drives",
    "The machine hangs while it looks for a device.",
    "A loop reads a port until a bit changes, but no card answers there: with pull-ups the "
    "value is FFh for ever.",
    "Fit the card, or set its base address to the port the program reads; and give every "
    "wait in the program a time-out.", ("D1",))
CARD_BIT = Cause(
    "card-bit", "A bit of a card that never changes",
    "The machine stands still while it talks to a device.",
    "A loop reads a register of a fitted card until a bit changes. The card answers, and the bit "
    "stays: what would change it has not been asked of the card, or cannot happen.",
    "Program the card for what is waited for, or mend what its words say is missing; give the "
    "wait a time-out.", ("S4", "C2", "F5"))

SOON = 0.05  # seconds from a card's trouble to the wait that it led to


def _polls(case: Case) -> Iterator[tuple[Wait, Load]]:
    for wait in case.waits:
        for load in wait.ports():
            yield wait, load


def silent_port(case: Case) -> Finding | None:
    """Check for a poll of an undriven port, and prove it by answering in its place."""
    for _, load in _polls(case):
        if load.driver != NOBODY or int(case.m.port_slot[load.address & 0xFF]) >= 0:
            continue  # a card, or a socket of one, stands there
        freed = releasing_values(case, load.address, load.value)
        if freed:
            return _silent(case, load, freed)
    return None


def _silent(case: Case, load: Load, freed: list[int]) -> Finding:
    port, value = load.address, load.value
    return Finding(
        SILENT_PORT, HUNG,
        f"{case.names.at(load.pc)} polls port {port:02X}h, which no card drives.",
        [f"Port {port:02X}h was read {int(case.m.port_reads[port])} times; no card decodes it, "
         f"so the bus reads {value:02X}h each time.",
         f"The loop is {case.loop()}.",
         f"In a copy of the machine {_bits(freed, value)} let it go on.",
         *_nearest_card(case.machine, port)],
        [f"Fit the card that the program expects at port {port:02X}h, or set a fitted card's "
         f"base (or the program's port number) so that they agree.",
         f"Give the wait at {case.names.at(load.pc)} a time-out."],
        {"port": f"{port:02X}", "pc": f"{load.pc:04X}"}, TRIED)


def card_bit(case: Case) -> Finding | None:
    """Check for a poll of a card's register; tell by what follows what was waited for."""
    for wait, load in _polls(case):
        if load.driver in (NOBODY, CONFLICT) or not load.driver <= int(case.m.slots):
            continue
        freed = releasing_values(case, load.address, load.value)
        if freed:
            for slot, trouble in case.once(troubles_of):  # the card itself knows better
                if slot.number == load.driver - 1 \
                        and trouble.t >= (death(case) or 0) - case.machine.at(SOON):
                    return told(case, slot, trouble)
            return _of_card(case, wait, load, freed)
    return None


def _of_card(case: Case, wait: Wait, load: Load, freed: list[int]) -> Finding:
    number, port = load.driver - 1, load.address
    slot, who = case.machine.slots[number], case.slot_words(number)
    register = slot.card.registers[int(case.m.port_reg[port])]
    then = _next_access(case, number, port, freed[0])
    words = state_words(case.machine, number)
    cause, what = CARD_BIT, "a bit"
    remedy = [f"Look at what {slot.name} says of itself (above) and program it for what the wait "
              f"at {case.names.at(wait.pc)} expects."]
    if slot.card.inputs:
        remedy.append(f"Or mend what should drive the inputs of {slot.name}: a wire, a switch, a "
                      f"clock.")
    if then == IN and slot.card.channels:
        cause, what = RECEIVER_OFF, "a character"
        remedy = [f"Enable the receiver of {slot.name}; a key typed in a copy changed nothing."]
    elif then == OUT and slot.card.channels:
        cause, what = BLOCKED_TRANSMITTER, "room for a byte"
        remedy = [f"Make {slot.name} able to send: its CTS must be active, its transmitter "
                  f"enabled and clocked.", *_modem_jumpers(case, number)]
    return Finding(
        cause, HUNG,
        f"{case.names.at(load.pc)} waits at port {port:02X}h ({register} of {who}) for {what} "
        f"that never comes.",
        [f"The register read {load.value:02X}h; {_bits(freed, load.value)} would let the loop "
         f"{case.loop()} go on (tried in a copy of the machine).",
         *[f"{slot.name}: {line}." for line in words]],
        remedy, {"port": f"{port:02X}", "slot": slot.name, "pc": f"{load.pc:04X}"}, TRIED)


def _modem_jumpers(case: Case, number: int) -> list[str]:
    """Say which jumpers of a card keep its handshake from being active."""
    slot = case.machine.slots[number]
    return [f'Set {c.jumper} = "{c.mend}" in slot.{slot.name}: it is "{slot.settings[c.jumper]}".'
            for c in slot.card.complaints(case.m, slot.state)
            if c.code == CTS_INACTIVE and c.jumper in slot.settings]


def _next_access(case: Case, number: int, port: int, value: int) -> int:
    """Give how the program next touches a data register of the card, once released."""
    machine = case.machine
    with forked(machine):
        if not answer_port(machine, port, value):
            return 0
        window = look(machine, machine.at(0.002))
        for k in np.nonzero((window.kind == IN) | (window.kind == OUT))[0].tolist():
            low = int(window.address[k]) & 0xFF
            if int(machine.m.port_slot[low]) == number:
                card = machine.slots[number].card
                if card.has_kind(card.registers[int(machine.m.port_reg[low])], DATA):
                    return int(window.kind[k])
    return 0


def releasing_values(case: Case, port: int, value: int) -> list[int]:
    """List the bytes that, read from the port instead, let the loop go on."""
    single = [value ^ (1 << bit) for bit in range(8)]
    good = [v for v in single if _goes_on(case, port, v)]
    return good or [v for v in range(256) if case.budget.left() > 0 and _goes_on(case, port, v)]


def _goes_on(case: Case, port: int, value: int) -> bool:
    """Tell whether the loop is left once the port has answered with a value."""
    return case.prover.goes_on(lambda m: answer_port(m, port, value), 0.003) is not None


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
    register = A if opcode == IN_A_N else (opcode >> 3) & 7
    if register != F:
        m.r[register] = value
    if opcode != IN_A_N:  # IN r,(C) sets the flags
        parity = 0 if value.bit_count() & 1 else 4
        m.r[F] = (int(m.r[F]) & 1) | (value & 0xA8) | (0x40 if value == 0 else 0) | parity
    return True


def _last_opcode(machine: Machine) -> int:
    """Give the opcode of the instruction that has just read a port."""
    window = decode(machine)
    fetches = window.where(FETCH)
    return int(window.data[fetches[-1]]) if len(fetches) else IN_A_N


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


CHECKS = (Check(silent_port, SILENT_PORT, (STUCK,), trial=True),
          Check(card_bit, CARD_BIT, (STUCK,), trial=True,
                others=(BLOCKED_TRANSMITTER, RECEIVER_OFF)))
