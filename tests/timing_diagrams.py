"""Draw bus cycles as docs/timing.md shows them, from the dump that `preburn trace --vcd` writes.

    python tests/timing_diagrams.py        # prints every diagram, to be put into the page
"""
from __future__ import annotations

import io

import bus_taker
import vcd.reader
from trace_bench import interrupter, machine, place, slot

from emu.logs.setting import setting_of
from emu.logs.tracer import watch
from emu.logs.vcd import VcdWriter
from emu.machine.machine import Machine

HALF = 3  # characters for half a T-state
PINS = ("CLK", "A", "M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "WAIT", "INT", "NMI", "HALT",
        "BUSREQ", "BUSACK", "D")
ALWAYS = ("CLK", "A", "D")  # the others only where they move


def levels(built: Machine, until: int) -> dict[str, dict[int, str]]:
    """Run a machine; each pin's changes by half T-state."""
    built.m.i = 0x3F  # so that the refresh address shows
    out = io.BytesIO()
    writer = VcdWriter(out, setting_of(built), "tick")
    writer.write(watch(built, until))
    writer.close(until)
    names: dict[str, str] = {}
    found: dict[str, dict[int, str]] = {}
    now = 0
    for token in vcd.reader.tokenize(io.BytesIO(out.getvalue())):
        if token.kind is vcd.reader.TokenKind.VAR:
            names[token.var.id_code] = token.var.reference
        elif token.kind is vcd.reader.TokenKind.CHANGE_TIME:
            now = token.time_change
        elif token.kind is vcd.reader.TokenKind.CHANGE_SCALAR:
            change = token.scalar_change
            found.setdefault(names[change.id_code], {})[now] = change.value
        elif token.kind is vcd.reader.TokenKind.CHANGE_VECTOR:
            vector = token.vector_change
            found.setdefault(names[vector.id_code], {})[now] = str(vector.value)
    return found


def _at(changes: dict[int, str], half: int) -> str:
    """Give a pin's level in a half T-state."""
    return changes[max((t for t in changes if t <= half), default=min(changes))]


def line(changes: dict[int, str], start: int, end: int) -> str:
    """Draw a line: a slope where it changes, then high or low."""
    out = ""
    for half in range(start, end):
        now = _at(changes, half)
        moved = now != _at(changes, half - 1)
        level = "\u203e" if now == "1" else "_"
        out += ("/" if now == "1" else "\\") + level * (HALF - 1) if moved else level * HALF
    return out


def bus(changes: dict[int, str], start: int, end: int, digits: int) -> str:
    """Draw a bus: its number between slopes, dashes while nobody drives it."""
    out, half = "", start
    while half < end:
        now, stop = _at(changes, half), half + 1
        while stop < end and _at(changes, stop) == now:
            stop += 1
        width = HALF * (stop - half)
        free = now == "z"
        text = "" if free else f"<{int(now):0{digits}X}"
        out += text[:width].ljust(width, "-" if free else "=")
        half = stop
    return out


def draw(built: Machine, t: int, names: str) -> str:
    """Draw the T-states from ``t`` on, one for each of the names."""
    states = names.split()
    found = levels(built, t + len(states) + 4)
    start, end = 2 * t, 2 * (t + len(states))
    rows = ["".join([" " * 7, *(f"{name:<{2 * HALF}}" for name in states)]).rstrip()]
    for pin in PINS:
        changes = found[pin]
        moves = len({_at(changes, half) for half in range(start, end)}) > 1
        if pin in ("A", "D"):
            rows.append(f"{pin:7}" + bus(changes, start, end, 4 if pin == "A" else 2))
        elif moves or pin in ALWAYS:
            rows.append(f"{pin:7}" + line(changes, start, end))
    return "\n".join(rows)


def ram(program: str, *cards: object, **waits: int) -> Machine:
    return machine(bytes.fromhex(program), *cards, **waits)


def interrupted(program: str, handler: int = 0x38) -> Machine:
    """A machine whose card asks at T-state 30."""
    built = ram(program, interrupter("card", 0x20, 0x40, period=30))
    place(built, handler, bytes.fromhex("fb c9"))
    return built


def taken(program: str) -> Machine:
    """A machine whose card takes the bus for a memory read of three T-states."""
    built = ram(program, slot("taker", bus_taker.CARD, {}))
    state = built.slots[-1].state
    state.when[0], state.count, state.keeps, state.length = 2, 1, 1, 3
    state.what, state.address = bus_taker.READ, 0x1234
    built.m.event_t[built.slots[-1].number] = 2
    place(built, 0x1234, b"\xaf")
    return built


def diagrams() -> dict[str, str]:
    """Draw every diagram of the page, by its title there."""
    card = interrupter("card", 0x20)
    return {
        "Opcode fetch": draw(ram("00 00 00"), 4, "T1 T2 T3 T4"),
        "Opcode fetch with a wait state": draw(ram("00 00 00", waits_m1=1), 5, "T1 T2 Tw T3 T4"),
        "Memory read": draw(ram("21 34 12 7e 00"), 14, "T1 T2 T3"),
        "Memory read with two wait states": draw(ram("3e 12 00", waits_mem=2), 4,
                                                 "T1 T2 Tw Tw T3"),
        "Memory write": draw(ram("21 34 12 3e 56 77 00"), 21, "T1 T2 T3"),
        "Port input": draw(ram("db 20 00", card), 7, "T1 T2 Tw* T3"),
        "Port output": draw(ram("3e 56 d3 21 00", card), 14, "T1 T2 Tw* T3"),
        "Internal T-states: INC HL": draw(ram("00 23 00"), 4, "T1 T2 T3 T4 Ti Ti"),
        "Interrupt acknowledge": draw(interrupted("ed56 fb 00 00 00 00 00 00 00 00 00"), 32,
                                      "T1 T2 Tw* Tw* T3 T4 Ti"),
        "NMI response": draw(ram("3e 00 d3 21 00 00 00", card), 21,
                             "T3 T1 T2 T3 T4 Ti T1 T2 T3 T1 T2 T3"),
        "HALT": draw(interrupted("ed56 fb 23 23 76 00"), 24,
                     "T1 T2 T3 T4 T1 T2 T3 T4 T1 T2 Tw* Tw*"),
        "Bus request": draw(taken("3a 00 00 00"), 2, "T3 T4 T1 T2 T3 Tx T1 T2 T3"),
    }


if __name__ == "__main__":
    for title, text in diagrams().items():
        print(f"### {title}\n\n```text\n{text}\n```\n")
