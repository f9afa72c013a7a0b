"""The numbers of a new project's cards: what is asked, what is usual, what is possible."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from emu.errors import InputError
from emu.files.symbols import parse_number


@dataclass(frozen=True)
class Number:
    """A question for a number: its usual answer, and the answers that are possible.

    ``base`` is 10 or 16: that in which it is shown.
    """

    words: str
    usual: int
    possible: range | tuple[int, ...]
    base: int = 16


FLASH = RAM = 512 << 10  # bytes, of the banked memory
PORT = range(0x100)
NUMBERS = {
    "window-size": Number("Bytes of a window", 8192, (4096, 8192, 16384, 32768), 10),
    "ram-page": Number("Number of the first RAM page", 0x40, range(1, 0x100)),
    "page-base": Number("Port of the first page register", 0x50, PORT),
    "rom-size": Number("Bytes of ROM, from address 0 on", 0x6000, range(0x400, 0xFC01, 0x400)),
    "ram-start": Number("First address of RAM, which reaches FFFFh", 0x6000,
                        range(0x400, 0xFC01, 0x400)),
    "sio-base": Number("Base port of the SIO", 0x20, PORT),
    "acia-base": Number("Base port of the ACIA", 0x30, PORT),
    "baud": Number("Baud rate of the terminal", 38400, range(50, 1_000_001), 10),
    "timer-base": Number("Base port of the CTC", 0x28, PORT),
}
PORTS = {"page-base": 1, "sio-base": 4, "acia-base": 2, "timer-base": 4}  # ports that each takes
BY_KIND = {"banked": ("window-size", "ram-page", "page-base"), "plain": ("rom-size", "ram-start"),
           "sio": ("sio-base", "baud"), "acia": ("acia-base", "baud"), "ctc": ("timer-base",)}


def usual(key: str, numbers: Mapping[str, int]) -> int:
    """Give the usual answer, beside the ``numbers`` already given: RAM begins behind the ROM."""
    value = NUMBERS[key].usual
    if key == "ram-start":
        return numbers.get("rom-size", value)
    if key == "ram-page":
        return max(value, FLASH // numbers.get("window-size", NUMBERS["window-size"].usual))
    return value


def shown(key: str, value: int) -> str:
    """Write a number as its question shows it: 38400, or 0x40."""
    return str(value) if NUMBERS[key].base == 10 else f"{value:#04x}"


def held(key: str, value: int) -> int:
    """Give a number back; InputError when the cards cannot take it."""
    possible = NUMBERS[key].possible
    if value in possible:
        return value
    if isinstance(possible, tuple):
        raise InputError(f"--{key} takes {', '.join(map(str, possible))}, not {value}.")
    step = f" in steps of {possible.step:#x}" if possible.step > 1 else ""
    raise InputError(f"--{key} takes {shown(key, possible[0])} to {shown(key, possible[-1])}"
                     f"{step}, not {shown(key, value)}.")


def read(key: str, text: str) -> int:
    """Read a number such as "0x50", "50h" or "80"; InputError when it is none, or none for it."""
    value = parse_number(text.strip())
    if value is None:
        raise InputError(f"--{key} takes a number such as {shown(key, NUMBERS[key].usual)}, "
                         f"not {text!r}.")
    return held(key, value)
