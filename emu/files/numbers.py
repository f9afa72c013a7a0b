"""Numbers as a builder writes them: exact, and short enough to be worked with."""
from __future__ import annotations

import re
from fractions import Fraction

LONGEST = 10_000_000
"""Seconds of emulated time that anything may last: four months."""
DIGITS = 40  # of a number: no crystal and no time needs more
NUMBER = re.compile(r"[+-]?[0-9._/]+(?:[eE]([+-]?[0-9]+))?")


def exact(text: str) -> Fraction:
    """Read "0.5", "1/3" or "2e-3" exactly; raises ValueError for anything else, and for a number
    of so many digits that it would take long to work with."""
    match = NUMBER.fullmatch(text.strip()) if len(text) <= DIGITS else None
    if match is None or abs(int(match[1] or 0)) > DIGITS:
        raise ValueError(f"{text[:DIGITS]!r} is no number of up to {DIGITS} digits")
    try:
        return Fraction(text)
    except ZeroDivisionError:
        raise ValueError(f"{text!r} divides by 0") from None
