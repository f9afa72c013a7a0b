"""What a person does to a machine while it runs: the inputs of a run.

Every change is an `Input` with the T-state from which it counts; it is made at the first
instruction boundary at or after it.  A run from power-on, or from a snapshot, with the
same inputs is the same to the T-state, so nothing else may touch the machine.
"""
from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import NoneType
from typing import Any

from emu.backplane.jumpers import CHECKS
from emu.bus.chain import fall_nmi, update_int
from emu.bus.memory import remap
from emu.bus.port_cycles import inp, outp
from emu.bus.state import BREAKS, FAR, NO_INTERRUPT, NO_STOP, PAGES, WRONG_PARITY
from emu.card.contract import Jumper
from emu.errors import InputError
from emu.machine.machine import Machine, Slot
from emu.machine.register_names import REGISTERS
from emu.media.bay import Original
from emu.run.console import break_of, channels, check_room, terminal, type_at
from emu.run.medium_change import change as change_medium
from emu.run.medium_change import medium_for

WAITS = {"waits-io": "slot_wait_io", "waits-mem": "slot_wait_mem", "waits-m1": "slot_wait_m1"}
MOST_WAITS = 255
LONGEST_TOLD = 40  # characters of a value that a refusal repeats
HAND = 2  # of m.int_held: a person holds the line


@dataclass(frozen=True)
class Input:
    """One change: T-state, kind (a key of `KINDS`), what is changed, and to what.

    ``value`` is a number, bytes (typed keys, memory), or a jumper's value or a card's text;
    ``asked``: the T-state at which it was asked for, -1 when that was just then.
    """

    t: int
    kind: str
    where: str
    value: Any
    asked: int = -1
    opened: Original | None = field(default=None, compare=False, repr=False)  # a medium's file

    def as_dict(self) -> dict[str, Any]:
        """Give it for a file: bytes as text, one character a byte."""
        value = self.value
        if isinstance(value, bytes):
            value = {"bytes": value.decode("latin-1")}
        return {"t": self.t, "kind": self.kind, "where": self.where, "value": value,
                "asked": self.asked}

    def words(self) -> str:
        """Tell it in a few words; what was typed, as it was typed."""
        value = repr(self.value.decode("latin-1"))[1:-1] if isinstance(self.value, bytes) \
            else str(self.value)
        if self.kind == "typed":
            return value
        if self.kind == "medium":
            return f"{self.where}: {Path(self.value).name if self.value else 'taken out'}"
        return f"{self.where} = {value}"

    @classmethod
    def from_dict(cls, told: Mapping[str, Any]) -> Input:
        """Read what `as_dict` gave; InputError when it is none."""
        value = told.get("value")
        if isinstance(value, Mapping) and isinstance(value.get("bytes"), str):
            value = value["bytes"].encode("latin-1", "replace")
        t, kind, where = told.get("t"), told.get("kind"), told.get("where")
        asked = told.get("asked", -1)
        known = VALUES.get(kind) if isinstance(kind, str) else None
        if known is None or type(t) is not int or type(asked) is not int \
                or not 0 <= t < FAR or not isinstance(where, str) \
                or not isinstance(value, known) \
                or kind in NUMBERED and not re.fullmatch("[0-9]{1,9}", where):
            raise InputError(f"no input of a run: {dict(told)!r}.")
        return cls(t, str(kind), where, value, asked)


def _typed(machine: Machine, change: Input) -> None:
    type_at(machine, terminal(machine, change.where), change.value,
            max(int(machine.m.t), change.t))


def _wrongly(machine: Machine, change: Input) -> None:
    type_at(machine, terminal(machine, change.where), change.value,
            max(int(machine.m.t), change.t), HOW[change.kind])


def _break(machine: Machine, change: Input) -> None:
    line = terminal(machine, change.where)
    type_at(machine, line, break_of(machine, line, change.value),
            max(int(machine.m.t), change.t), BREAKS)


def _register(machine: Machine, change: Input) -> None:
    machine.m.resume = 0  # an instruction in which the bus is away, or held, begins anew
    machine.m.wait_state = machine.m.stretch = 0
    REGISTERS[change.where].put(machine.m, change.value)


def _memory(machine: Machine, change: Input) -> None:
    place = int(change.where)
    for k, byte in enumerate(change.value):
        machine.m.phys[place + k] = byte


def _out(machine: Machine, change: Input) -> None:
    machine.m.kept_valid = 0  # no card takes the bus before it
    with machine.plainly():
        outp(machine.m, int(change.where), change.value)


def _in(machine: Machine, change: Input) -> None:
    machine.m.kept_valid = 0
    with machine.plainly():
        inp(machine.m, int(change.where))


def _line(machine: Machine, change: Input) -> None:
    m = machine.m
    if change.where == "reset":
        with machine.plainly():
            machine.reset()
    elif change.where == "nmi":
        fall_nmi(m, int(m.t) - 1)
    else:
        m.int_held = int(m.int_held) & ~HAND | (HAND if change.value else 0)
        update_int(m)


def _jumper(machine: Machine, change: Input) -> None:
    m = machine.m
    name, _, jumper = change.where.partition(".")
    slot = machine.slot(name)
    if jumper in WAITS:
        m[WAITS[jumper]][slot.number] = change.value
        for page in range(PAGES):
            remap(m, page)
    elif jumper == "interrupt":
        m.int_kind[slot.number] = slot.card.interrupt if change.value else NO_INTERRUPT
        update_int(m)
    else:
        with machine.plainly():
            slot.card.live[jumper](m, slot.state, change.value)


def _card(machine: Machine, change: Input) -> None:
    name, _, action = change.where.partition(".")
    slot = machine.slot(name)
    with machine.plainly():
        slot.card.actions[action](machine, slot, change.value)
    machine.m.next_event = 0


def _medium(machine: Machine, change: Input) -> None:
    change_medium(machine, change.where,
                  change.opened or medium_for(machine, change.where, change.value))


KINDS: Mapping[str, Callable[[Machine, Input], None]] = {
    "typed": _typed, "register": _register, "memory": _memory, "out": _out, "in": _in,
    "line": _line, "jumper": _jumper, "card": _card, "medium": _medium,
    "parity-error": _wrongly, "framing-error": _wrongly, "break": _break,
}
HOW = {"parity-error": WRONG_PARITY, "framing-error": NO_STOP}
AT_TERMINALS = ("typed", "break", *HOW)


VALUES: Mapping[str, tuple[type, ...]] = {
    "typed": (bytes,), "register": (int,), "memory": (bytes,), "out": (int,), "in": (NoneType,),
    "line": (int,), "jumper": (object,), "card": (str,), "medium": (str, NoneType),
    "parity-error": (bytes,), "framing-error": (bytes,), "break": (str,)}
NUMBERED = ("memory", "out", "in")  # their place is a number


def make(machine: Machine, change: Input) -> None:
    """Make a change at the boundary where the machine stands."""
    KINDS[change.kind](machine, change)


# --- checking, before an input is logged -------------------------------------------------

def checked(machine: Machine, change: Input) -> Input:
    """Check a change before it is made; InputError with the mend."""
    return CHECKS_OF[change.kind](machine, change) if change.kind in CHECKS_OF else change


def _check_typed(machine: Machine, change: Input) -> Input:
    check_room(terminal(machine, change.where), change.value)
    return change


def _check_wrongly(machine: Machine, change: Input) -> Input:
    line = terminal(machine, change.where)
    check_room(line, change.value)
    if change.kind == "parity-error" and not int(line.term_parity):
        raise InputError(f"the terminal at {change.where} sends no parity bit, so it cannot be "
                         f'wrong; give it a format with one, such as format = "8E1".')
    return change


def _check_break(machine: Machine, change: Input) -> Input:
    line = terminal(machine, change.where)
    check_room(line, break_of(machine, line, change.value))
    return change


def _check_register(_: Machine, change: Input) -> Input:
    name = change.where.lower()
    if name not in REGISTERS:
        raise InputError(f"{change.where}: no register; known are {', '.join(REGISTERS)}.")
    most = (1 << REGISTERS[name].bits) - 1
    if not 0 <= change.value <= most:
        raise InputError(f"{change.where} holds 0 to {most:X}h, not {change.value}.")
    return replace(change, where=name)


def _check_memory(machine: Machine, change: Input) -> Input:
    end = max(int(machine.m.mem_base[n] + machine.m.mem_size[n]) for n in range(len(machine.slots)))
    if not 0 <= int(change.where) <= end - len(change.value):
        raise InputError(f"{int(change.where):05X}h: physical memory ends at {end - 1:05X}h.")
    return change


def _check_port(_: Machine, change: Input) -> Input:
    if not 0 <= int(change.where) <= 0xFFFF or not 0 <= (change.value or 0) <= 0xFF:
        raise InputError(f"{change.where} = {change.value}: a port is 0 to FFFFh and takes a "
                         f"byte.")
    return change


def _check_line(_: Machine, change: Input) -> Input:
    if change.where not in ("int", "nmi", "reset"):
        raise InputError(f"{change.where}: no line that can be pulled; known are int, nmi, reset.")
    return change


def live_jumpers(slot: Slot) -> tuple[str, ...]:
    """Name the jumpers of a slot that can change while it runs."""
    wired = ("interrupt",) if slot.card.interrupt != NO_INTERRUPT else ()
    return (*slot.card.live, *wired, *WAITS)


def toml_value(name: str, text: str) -> Any:
    """Read a jumper's value as a backplane file has it; InputError."""
    try:
        return tomllib.loads(f"x = {text}")["x"]
    except ValueError:  # not TOML, or a number of more digits than Python reads
        told = text if len(text) <= LONGEST_TOLD else f"{text[:LONGEST_TOLD]}..."
        raise InputError(f"{name} = {told}: write the value as in a backplane file: 3, true, "
                         f'"text".') from None


def _check_jumper(machine: Machine, change: Input) -> Input:
    where, value = change.where, change.value
    name, _, jumper = where.partition(".")
    slot = next((s for s in machine.slots if s.name == name), None)
    if slot is None:
        known = ", ".join(s.name for s in machine.slots)
        raise InputError(f"{where}: there is no slot {name!r}; fitted: {known}.")
    known = ", ".join(live_jumpers(slot))
    if jumper not in live_jumpers(slot):
        raise InputError(f"{where}: the jumper {jumper!r} of {slot.card.name} cannot change "
                         f"while it runs; those that can: {known}.")
    if jumper in WAITS:
        declared = Jumper(jumper, "int", 0, "wait states", 0, MOST_WAITS)
    elif jumper == "interrupt":
        declared = Jumper(jumper, "flag", True, "wired to /INT")
    else:
        declared = next(j for j in slot.card.jumpers if j.name == jumper)
    return replace(change, value=CHECKS[declared.kind](declared, value, where))


def _check_action(machine: Machine, change: Input) -> Input:
    name, _, action = change.where.partition(".")
    slot = next((s for s in machine.slots if s.name == name), None)
    if slot is None or action not in slot.card.actions:
        can = [f"{s.name}.{a}" for s in machine.slots for a in s.card.actions]
        raise InputError(f"{change.where}: no such thing can be done; possible are: "
                         f"{', '.join(can) or 'none on these cards'}.")
    return change


def _check_medium(machine: Machine, change: Input) -> Input:
    return replace(change, opened=medium_for(machine, change.where, change.value))


CHECKS_OF: Mapping[str, Callable[[Machine, Input], Input]] = {
    "typed": _check_typed, "register": _check_register, "memory": _check_memory,
    "out": _check_port, "in": _check_port, "line": _check_line, "jumper": _check_jumper,
    "card": _check_action, "medium": _check_medium,
    "parity-error": _check_wrongly, "framing-error": _check_wrongly, "break": _check_break,
}


def fitting(machine: Machine, inputs: Iterable[Input]) -> Iterator[Input]:
    """Give those inputs of a run that another machine can take, as it takes them.

    What was typed at a channel that it lacks comes to the first one of the same slot; what
    concerns a card, a drive or memory that it lacks is left out.
    """
    terminals = [c.name for c in channels(machine)]
    for change in inputs:
        if change.kind in AT_TERMINALS:
            slot = change.where.partition(".")[0]
            there = change.where if change.where in terminals else next(
                (name for name in terminals if name.partition(".")[0] == slot), None)
            if there is not None:
                yield replace(change, where=there)
        elif change.kind == "medium":
            if change.where in machine.bays:
                yield change
        else:
            try:
                yield checked(machine, change)
            except InputError:
                continue
