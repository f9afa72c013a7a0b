"""Words that change the machine: each is an input of the run, so going back stays exact."""
from __future__ import annotations

import re

from emu.card.number_words import counted
from emu.errors import InputError
from emu.run.inputs import toml_value
from emu.run.texts import keys
from emu.stepper.watch import port_number
from emu.stepper.word_reader import WordReader, word

PULSE = 20  # T-states that press int holds the line: longer than any instruction without waits


def _whole(reader: WordReader, text: str, most: int, what: str) -> int:
    value = reader.stepper.book.work_out(text)
    if not -(most + 1) // 2 <= value <= most:
        raise InputError(f"{what} takes 0 to {most:X}h, not {text.strip()}.")
    return value & most


def _set_memory(reader: WordReader, target: str, value: str, wide: bool) -> list[str]:
    """Set bytes from an address on, or one word, through the page map."""
    book = reader.stepper.book
    first = book.address(target)
    if wide:
        number = _whole(reader, value, 0xFFFF, "a word")
        data = [number & 0xFF, number >> 8]
    else:
        data = [_whole(reader, part, 0xFF, "a byte") for part in value.split(",")]
    places = []
    for k in range(len(data)):
        place = book.place(first + k & 0xFFFF)
        if place is None:
            raise InputError(f"{first + k & 0xFFFF:04X}h: no plain memory is mapped there now.")
        places.append(place)
    starts = [k for k in range(len(data)) if k == 0 or places[k] != places[k - 1] + 1]
    for start, end in zip(starts, [*starts[1:], len(data)], strict=True):
        reader.change("memory", str(places[start]), bytes(data[start:end]))
    return [f"{book.data(first)}: {' '.join(f'{b:02X}' for b in data)}"]


def _set_jumper(reader: WordReader, name: str, value: str) -> list[str]:
    reader.change("jumper", name, toml_value(name, value))
    return [f"{name} is {value} now"]


@word("set TARGET = VALUE", "set hl = ticks; set carry = 1; set [8000h] = 1, 2, 3; set word[ptr] "
                            "= 5; set port 20h = 41h; set jumper memory.waits-mem = 1")
def set_value(reader: WordReader, text: str) -> list[str]:
    """Change a register, memory, a port or a live jumper."""
    target, equals, value = (part.strip() for part in text.partition("="))
    if not equals or not target or not value:
        raise InputError("set reads: set TARGET = VALUE, such as set hl = 8000h")
    if match := re.fullmatch(r"(word)?\s*\[(.+)\]", target):
        return _set_memory(reader, match[2], value, bool(match[1]))
    if target.startswith("port "):
        port = port_number(target[5:].strip(), reader.stepper.book)
        reader.change("out", str(port), _whole(reader, value, 0xFF, "a port"))
        return [f"written to port {port:02X}h; it took 4 T-states and more"]
    if target.startswith("jumper "):
        return _set_jumper(reader, target[7:].strip(), value)
    reader.change("register", target, reader.stepper.book.work_out(value))
    return reader.here()[:4]


@word("input PORT", "read a port as the CPU would, with all that this does to the card")
def read_port(reader: WordReader, text: str) -> list[str]:
    """Read a port."""
    port = port_number(text, reader.stepper.book)
    reader.change("in", str(port), None)
    return [f"port {port:02X}h gave {int(reader.stepper.m.bus_byte):02X}h"]


def _press_keys(reader: WordReader, text: str) -> list[str]:
    match = re.fullmatch(r'"((?:[^"\\]|\\.)*)"(?:\s+on\s+(\S+))?', text)
    if match is None:
        raise InputError('press takes keys in double quotes, such as press "ls\\r" on sio.a, or '
                         "int, nmi, reset.")
    name = reader.channel(match[2] or "")
    typed = keys(match[1])
    if not typed:
        raise InputError('press needs at least one key, such as press "\\r"')
    reader.change("typed", name, typed)
    return [f"{counted(len(typed), 'key')} typed at {name}"]


@word("press KEYS", 'type at a terminal: press "ls\\r", press "x" on sio.b; or press int '
                    "[for 20 t], press nmi, press reset")
def press(reader: WordReader, text: str) -> list[str]:
    """Type keys, or pulse a line of the CPU."""
    line, _, rest = text.partition(" ")
    if line in ("nmi", "reset") and not rest:
        reader.change("line", line, 1)
        return [f"/{line.upper()} was pulled low"]
    if line == "int":
        length = reader.t_of(rest.removeprefix("for ")) if rest else PULSE
        if length is None:
            raise InputError(f"press int holds the line for a time such as for 20 t, not {rest!r}.")
        reader.change("line", "int", 1)
        reader.change("line", "int", 0, length)
        return [f"/INT is low for {length} T-states"]
    return _press_keys(reader, text)


@word("insert BAY FILE", "put a medium into a drive or socket: insert floppy.drive-a disk.img")
def insert(reader: WordReader, text: str) -> list[str]:
    """Put a medium in."""
    bay, _, path = text.partition(" ")
    if not path.strip():
        raise InputError("insert reads: insert SLOT.BAY FILE")
    reader.change("medium", bay, path.strip())
    return [f"{path.strip()} is in {bay} now"]


@word("eject BAY", "take a medium out")
def eject(reader: WordReader, text: str) -> list[str]:
    """Take a medium out."""
    reader.change("medium", text, None)
    return [f"{text} is empty now"]


@word("do SLOT.ACTION [TEXT]", "do to a card what it knows of: see preburn cards")
def do(reader: WordReader, text: str) -> list[str]:
    """Do something to a card."""
    where, _, rest = text.partition(" ")
    reader.change("card", where, rest.strip())
    return [f"{where}: done"]
