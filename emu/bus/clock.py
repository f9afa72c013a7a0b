"""Exact time between clocks: T-states of the CPU against other crystals.

A period of another clock is a ratio num/den of T-states.  Points of time are kept as a
whole T-state and a remainder, so no rounding ever adds up: ``t + rem/den``.
"""
from __future__ import annotations

from fractions import Fraction

from emu.files.numbers import exact

UNITS = {"hz": 1, "khz": 1000, "mhz": 1_000_000}
LIMIT = 1 << 30  # of numerator and denominator, so that sums of products stay in int64


def parse_frequency(text: str) -> Fraction:
    """Read "6.144 MHz", "614.4 kHz" or "50 Hz" as exact hertz; raises ValueError."""
    number, _, unit = text.strip().partition(" ")
    factor = UNITS.get(unit.strip().lower())
    if factor is None:
        raise ValueError(f'write a frequency as "6.144 MHz", not {text!r}')
    try:
        hertz = exact(number) * factor
    except ValueError:
        raise ValueError(f'write a frequency as "6.144 MHz", not {text!r}') from None
    if not 0 < hertz <= 1_000_000_000:
        raise ValueError(f"a frequency lies above 0 and up to 1 GHz, not {text!r}")
    return hertz


def period(cpu: Fraction, other: Fraction) -> tuple[int, int]:
    """Give the period of a clock in T-states as (num, den); raises ValueError when the
    ratio's terms are too long to be kept exactly."""
    ratio = cpu / other
    if ratio.numerator >= LIMIT or ratio.denominator >= LIMIT:
        raise ValueError(
            f"the ratio {ratio} of the two clocks has too many digits; round one of them")
    return ratio.numerator, ratio.denominator
