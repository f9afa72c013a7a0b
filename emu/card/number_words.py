"""Numbers as people read them: counts with their noun, times in a unit that fits, sets."""
from __future__ import annotations

import re
from collections.abc import Iterable
from fractions import Fraction
from itertools import groupby

from emu.errors import InputError, one_line
from emu.files.numbers import LONGEST, exact

TIME = re.compile(r"([0-9]+(?:\.[0-9]*)?|\.[0-9]+) ?(s|ms|us|ns)")
PARTS = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9}  # of a second
UNITS = ((1.0, "s"), (1e-3, "ms"), (1e-6, "us"), (1e-9, "ns"))


def counted(count: int, noun: str, plural: str = "") -> str:
    """Give a count with its noun, such as "1 read" or "3 reads"."""
    return f"{count} {noun if count == 1 else plural or noun + 's'}"


def read_time(text: str) -> Fraction | None:
    """Read "0.5 s", "20ms", "300 us" or "70ns" as seconds; None when it is no time.

    InputError when it is longer than any run, or has absurdly many digits.
    """
    match = TIME.fullmatch(text.strip())
    if match is None:
        return None
    try:
        seconds = exact(match[1].rstrip(".")) / PARTS[match[2]]
    except ValueError:
        seconds = Fraction(LONGEST + 1)
    if seconds > LONGEST:
        raise InputError(f"{one_line(text)[:60]}: a time is at most {LONGEST} s.")
    return seconds


def time_words(seconds: float, digits: int = 6) -> str:
    """Give a time with its unit, such as "90.1 us" or "1.264 s", to some significant digits."""
    if not seconds:
        return "0 s"
    size, unit = next((row for row in UNITS if abs(seconds) >= row[0]), UNITS[-1])
    if abs(seconds) >= 10 ** digits:
        return f"{seconds:.0f} s"
    return f"{seconds / size:.{digits}g} {unit}"


def set_words(numbers: Iterable[int]) -> str:
    """Give bytes as a set: "28h", "{28h, 30h-3Fh}"; three or more in a row are a range."""
    runs: list[str] = []
    found = sorted(set(numbers))
    for _, row in groupby(enumerate(found), key=lambda pair: pair[1] - pair[0]):
        values = [value for _, value in row]
        runs += [f"{values[0]:02X}h-{values[-1]:02X}h"] if len(values) > 2 else [
            f"{value:02X}h" for value in values]
    return runs[0] if len(found) == 1 else "{" + ", ".join(runs) + "}"
