"""The files of a new project: the starter ROM for the chosen cards, and what stands around it.

A file is a text of starter/, in which "@name@" is a value, and the lines from "@if NAME" to
"@end" stand only where NAME holds, those behind "@else" only where it does not.
"""
from __future__ import annotations

import re
from collections.abc import Iterable
from fractions import Fraction
from importlib.resources import files

from emu.bus.clock import parse_frequency
from emu.starting.choices import Choices

LANGUAGES: dict[str, tuple[str, ...]] = {
    "none": (),
    "asm": ("Makefile", "toolchain.sh", "rom.ld", "cage.inc", "boot.s", "console.s", "tick.s",
            "main.s"),
    "c": ("Makefile", "cage.h", "start.s", "rom.c")}
PROJECT = ("test_boot.py", "README.md", "ci.sh", "gitignore")
HIDDEN = ("gitignore",)  # a dot stands before their names
WR4 = {16: 0x44, 32: 0x84, 64: 0xC4}  # UM0081, SIO: one stop bit, no parity, the clock's divider
CONTROL = {16: 0x15, 64: 0x16}  # MC6850 data sheet: 8N1, RTS low, the clock's divider
PRESCALER = 256  # UM0081, CTC


def sources(choices: Choices) -> dict[str, str]:
    """Give the files of the starter ROM by name: none without a language."""
    names = [n for n in LANGUAGES[choices.language] if n != "tick.s" or choices.timer == "ctc"]
    values = _values(choices)
    values["objects"] = " ".join(n[:-1] + "o" for n in names if n.endswith(".s"))
    return _texts(choices.language, names, _holds(choices), values)


def project(choices: Choices) -> dict[str, str]:
    """Give the files around the ROM by name: what to read, tests, the checks of a service."""
    return _texts("project", PROJECT, _holds(choices), _values(choices))


def _texts(folder: str, names: Iterable[str], holds: set[str],
           values: dict[str, str]) -> dict[str, str]:
    place = files("emu.starting") / "starter" / folder
    texts = {n: (place / f"{n}.in").read_text(encoding="utf-8") for n in names}
    return {f".{name}" if name in HIDDEN else name: written(text, holds, values)
            for name, text in texts.items()}


def written(text: str, holds: set[str], values: dict[str, str]) -> str:
    """Write a source: the lines that hold, with their values."""
    out = []
    open_blocks: list[bool] = []
    for line in text.splitlines(keepends=True):
        word, _, name = line.strip().partition(" ")
        if word == "@if":
            open_blocks.append(name in holds)
        elif word == "@else":
            open_blocks[-1] = not open_blocks[-1]
        elif word == "@end":
            open_blocks.pop()
        elif all(open_blocks):
            out.append(re.sub(r"@([a-z-]+)@", lambda m: values[m[1]], line))
    return "".join(out)


def _holds(choices: Choices) -> set[str]:
    if choices.timer == "ctc":
        how = {"mode2"}
    else:  # the characters that come are what interrupts; an ACIA has no vector
        how = {"receives", "mode1" if choices.serial == "acia" else "mode2"}
    starter = set() if choices.language == "none" else {"starter", choices.language}
    source = {"source"} if choices.source else set()
    return {choices.memory, choices.serial, choices.timer} | how | starter | source


def _values(choices: Choices) -> dict[str, str]:
    divider = choices.divider()
    byte = (WR4 if choices.serial == "sio" else CONTROL)[divider]
    values = {"name": choices.name, "until": choices.until, "baud": str(choices.baud),
              "image": choices.image, "source": choices.source, "serial": choices.serial,
              "divider": str(divider), "divider-byte": f"0x{byte:02X}",
              "serial-base": f"0x{choices.number(f'{choices.serial}-base'):02X}",
              "counted": "ticks" if choices.timer == "ctc" else "keys"}
    if choices.timer == "ctc":
        hertz: Fraction = parse_frequency(choices.clock)
        constant = min(256, max(1, round(hertz / PRESCALER / 100)))
        values |= {"timer-base": f"0x{choices.number('timer-base'):02X}",
                   "tick-constant": str(constant),
                   "tick-rate": f"{float(hertz / PRESCALER / constant):g}"}
    if choices.memory == "plain":
        return values | {"rom-end": f"{choices.number('rom-size'):04X}",
                         "ram-start": f"{choices.number('ram-start'):04X}"}
    half = 0x8000 // choices.number("window-size")
    first = choices.number("ram-page")
    pages = [*range(half), *range(first, first + half)]
    return values | {"rom-end": "8000", "ram-start": "8000", "windows": str(2 * half),
                     "page-base": f"0x{choices.number('page-base'):02X}",
                     "ram-page": f"0x{first:02X}", "window-size": str(0x8000 // half),
                     "pages": ", ".join(f"0x{page:02X}" for page in pages)}
