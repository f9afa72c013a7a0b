"""Options that more than one command takes."""
from __future__ import annotations

from fractions import Fraction

from emu.errors import InputError


def limit_seconds(text: str) -> Fraction:
    """Read --limit, seconds of emulated time; InputError when it is none."""
    try:
        value = Fraction(text)
    except (ValueError, ZeroDivisionError):
        raise InputError(f"--limit takes seconds such as 10 or 0.5, not {text!r}.") from None
    if not 0 < value <= 10_000_000:
        raise InputError(f"--limit takes seconds above 0 and up to 10000000, not {text}.")
    return value
