"""Words that change the machine: each is an input of the run, so going back stays exact."""
from __future__ import annotations

import re
import tomllib

from emu.errors import InputError
from emu.run.script import keys
from emu.stepper.desk import Desk, word
from emu.stepper.watch import port_number

PULSE = 20  # T-states that press int holds the line: longer than any instruction without waits


def _whole(desk: Desk, text: str, most: int, what: str) -> int:
    value = desk.sitting.book.work_out(text)
    if not -(most + 1) // 2 <= value <= most:
        raise InputError(f"{what} takes 0 to {most:X}h, not {text.strip()}.")
    return value & most


def _set_memory(desk: Desk, target: str, value: str, wide: bool) -> list[str]:
    """Set bytes from an address on, or one word, through the page map."""
    book = desk.sitting.book
    first = book.address(target)
    if wide:
        number = _whole(desk, value, 0xFFFF, "a word")
        data = [number & 0xFF, number >> 8]
    else:
        data = [_whole(desk, part, 0xFF, "a byte") for part in value.split(",")]
    for k, byte in enumerate(data):
        place = book.place(first + k & 0xFFFF)
        if place is None:
            raise InputError(f"{first + k & 0xFFFF:04X}h: no plain memory is mapped there now.")
        desk.change("memory", str(place), bytes([byte]))
    return [f"{book.data(first)}: {' '.join(f'{b:02X}' for b in data)}"]


def _set_jumper(desk: Desk, name: str, value: str) -> list[str]:
    try:
        setting = tomllib.loads(f"x = {value}")["x"]
    except tomllib.TOMLDecodeError:
        raise InputError(f"{name} = {value}: write the value as in a backplane file: 3, true, "
                         f'"text".') from None
    desk.change("jumper", name, setting)
    return [f"{name} is {value} now"]


@word("set TARGET = VALUE", "set hl = ticks; set carry = 1; set [8000h] = 1, 2, 3; set word[ptr] "
                            "= 5; set port 20h = 41h; set jumper memory.waits-mem = 1")
def set_value(desk: Desk, text: str) -> list[str]:
    """Change a register, memory, a port or a live jumper."""
    target, equals, value = (part.strip() for part in text.partition("="))
    if not equals or not target or not value:
        raise InputError("set reads: set TARGET = VALUE, such as set hl = 8000h")
    if match := re.fullmatch(r"(word)?\s*\[(.+)\]", target):
        return _set_memory(desk, match[2], value, bool(match[1]))
    if target.startswith("port "):
        port = port_number(target[5:].strip(), desk.sitting.book)
        desk.change("out", str(port), _whole(desk, value, 0xFF, "a port"))
        return [f"written to port {port:02X}h; it took 4 T-states and more"]
    if target.startswith("jumper "):
        return _set_jumper(desk, target[7:].strip(), value)
    desk.change("register", target, desk.sitting.book.work_out(value))
    return desk.here()[:4]


@word("input PORT", "read a port as the CPU would, with all that this does to the card")
def read_port(desk: Desk, text: str) -> list[str]:
    """Read a port."""
    port = port_number(text, desk.sitting.book)
    desk.change("in", str(port), None)
    return [f"port {port:02X}h gave {int(desk.sitting.m.bus_byte):02X}h"]


def _press_keys(desk: Desk, text: str) -> list[str]:
    match = re.fullmatch(r'"((?:[^"\\]|\\.)*)"(?:\s+on\s+(\S+))?', text)
    if match is None:
        raise InputError('press takes keys in double quotes, such as press "ls\\r" on sio.a, or '
                         "int, nmi, reset.")
    name = desk.channel(match[2] or "")
    typed = keys(match[1])
    if not typed:
        raise InputError('press needs at least one key, such as press "\\r"')
    desk.change("typed", name, typed)
    return [f"{len(typed)} keys typed at {name}"]


@word("press KEYS", 'type at a terminal: press "ls\\r", press "x" on sio.b; or press int '
                    "[for 20 t], press nmi, press reset")
def press(desk: Desk, text: str) -> list[str]:
    """Type keys, or pulse a line of the CPU."""
    line, _, rest = text.partition(" ")
    if line in ("nmi", "reset") and not rest:
        desk.change("line", line, 1)
        return [f"/{line.upper()} was pulled low"]
    if line == "int":
        length = desk.t_of(rest.removeprefix("for ")) if rest else PULSE
        if length is None:
            raise InputError(f"press int holds the line for a time such as for 20 t, not {rest!r}.")
        desk.change("line", "int", 1)
        desk.change("line", "int", 0, length)
        return [f"/INT is low for {length} T-states"]
    return _press_keys(desk, text)


@word("insert BAY FILE", "put a medium into a drive or socket: insert floppy.drive-a disk.img")
def insert(desk: Desk, text: str) -> list[str]:
    """Put a medium in."""
    bay, _, path = text.partition(" ")
    if not path.strip():
        raise InputError("insert reads: insert SLOT.BAY FILE")
    desk.change("medium", bay, path.strip())
    return [f"{path.strip()} is in {bay} now"]


@word("eject BAY", "take a medium out")
def eject(desk: Desk, text: str) -> list[str]:
    """Take a medium out."""
    desk.change("medium", text, None)
    return [f"{text} is empty now"]


@word("do SLOT.ACTION [TEXT]", "do to a card what it knows of: see preburn cards")
def do(desk: Desk, text: str) -> list[str]:
    """Do something to a card."""
    where, _, rest = text.partition(" ")
    desk.change("card", where, rest.strip())
    return [f"{where}: done"]
