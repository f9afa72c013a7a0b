"""Which rates a card can be programmed for: what a card's ``rates`` is asked and answers."""
from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

BAUD, TICK, OUTPUT = "baud", "tick", "output"
IN_STEP = "sends; to receive, the sender's clock must be in step with this one"  # a x1 clock


@dataclass(frozen=True)
class Write:
    """A byte to write to a register of the card in a slot; the slot is filled in later."""

    register: str
    byte: int
    slot: str = ""


@dataclass(frozen=True)
class Way:
    """One way to a rate: hertz or baud, the dividers in words, and the bytes to write in order.

    ``part`` is what gives the rate: a serial channel, a counter's channel, an output.
    """

    rate: Fraction
    part: str
    words: str
    writes: tuple[Write, ...] = ()
    note: str = ""  # what else is to be known, as a remark


@dataclass(frozen=True)
class Ask:
    """What is asked of a card: a baud rate, a periodic interrupt, or a clock at an output.

    ``source(input, hertz)`` gives the ways to clock an input near a frequency: one for an
    oscillator on a jumper, several for a wire from a card that can be programmed.
    """

    purpose: str
    want: Fraction  # hertz or baud
    settings: Mapping[str, Any]
    cpu_hz: Fraction
    source: Callable[[str, Fraction], list[Way]]
    output: str = ""  # for OUTPUT: which one


def hertz_words(frequency: Fraction) -> str:
    """Write a frequency as "614.4 kHz"."""
    for size, unit in ((10**6, "MHz"), (10**3, "kHz")):
        if frequency >= size:
            return f"{float(frequency / size):.7g} {unit}"
    return f"{float(frequency):.7g} Hz"


def near(want: Fraction, frequency: Fraction, highest: int) -> int:
    """Give the whole divider, 1 to ``highest``, that comes nearest to a rate."""
    below = max(1, min(highest, int(frequency / want)))
    above = min(highest, below + 1)
    return min((below, above), key=lambda n: abs(frequency / n - want))


def divided(ask: Ask, name: str, part: str, ratios: Iterable[tuple[int, tuple[Write, ...]]]
            ) -> list[Way]:
    """Give the ways of a divider behind a clock input: each ratio with what sets it."""
    found = []
    for ratio, writes in ratios:
        for clock in ask.source(name, ask.want * ratio):
            found.append(Way(clock.rate / ratio, part, f"{clock.words} / {ratio}",
                             clock.writes + writes, IN_STEP if ratio == 1 else ""))
    return found
