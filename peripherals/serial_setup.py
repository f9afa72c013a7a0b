"""A serial line at power-on and in words: the plain Python beside serial_line.py."""
from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

import numpy as np

from emu.bus.state import FAR
from emu.errors import InputError
from peripherals.card import Setup
from peripherals.serial_line import start_clock

X16 = 16


def read_format(text: str) -> tuple[int, int, int]:
    """Read a format such as "8N1" or "7E1.5": data bits, parity, stop in half bits.

    Parity is N, O, E, or M (always 1), S (always 0).
    """
    return int(text[0]), "NOEMS".index(text[1]), int(2 * Fraction(text[2:]))


def connect(setup: Setup, line: Any, terminal: Mapping[str, Any]) -> None:
    """Stand a terminal at the other end: ``terminal`` has baud, format and flow.

    Raises InputError when its rate and the CPU clock have no short enough ratio.
    """
    place = f"slot.{setup.name}: terminal"
    try:
        num, den = setup.period(Fraction(terminal["baud"]) * X16)
    except ValueError as error:
        raise InputError(f"{place}: {error}.") from None
    ear, out = line.term_ear, line.term_out
    line.term_baud = terminal["baud"]
    line.term_num, line.term_den = num * X16, den
    line.term_bits, line.term_parity, line.term_stop2 = read_format(terminal["format"])
    line.term_flow = int(terminal["flow"] == "rts-cts")
    line.cts = line.dcd = 1
    line.shown_limit = FAR
    ear.on = ear.seen = 1
    ear.num, ear.den, ear.ratio = num, den, X16
    ear.t = -int(setup.random.integers(0, num // den + 1))
    ear.rem = int(setup.random.integers(0, den))
    ear.bits, ear.parity = line.term_bits, line.term_parity
    out.num, out.den, out.rest = line.term_num, 2 * den, 1
    line.out.rest = line.out.den = 1
    line.ear.seen = line.ear.ratio = line.ear.num = line.ear.den = 1
    line.clock.num = line.clock.den = 1
    line.out_t = line.in_t = FAR


def clock_at_power_on(setup: Setup, line: Any, clock: Fraction | str) -> None:
    """Clock a channel from its own oscillator (hertz), from "cpu", or not at all ("none")."""
    if clock == "none":
        return
    if clock == "cpu":
        start_clock(setup.machine, line, *(np.int64(n) for n in (0, 1, 1, 0, 0)))
        return
    try:
        num, den = setup.period(Fraction(clock))
    except ValueError as error:
        raise InputError(f"slot.{setup.name}: clock: {error}.") from None
    phase = -int(setup.random.integers(0, num // den + 1))
    rem = int(setup.random.integers(0, den))
    start_clock(setup.machine, line, *(np.int64(n) for n in (0, num, den, phase, rem)))


def format_words(bits: int, parity: int, stop2: int) -> str:
    """Write a format as "8N1"."""
    return f"{bits}{'NOEMS'[parity]}{ {2: '1', 3: '1.5', 4: '2'}.get(stop2, '?')}"


def rate_words(line: Any) -> str:
    """Say the channel's rate and format, and how far they are from the terminal's."""
    terminal = (f"the terminal {int(line.term_baud)} baud "
                f"{format_words(line.term_bits, line.term_parity, line.term_stop2)}")
    if not line.running:
        return f"no clock runs, so nothing is sent or received; {terminal}"
    if not line.ratio:
        return f"no rate set; {terminal}"
    own = Fraction(int(line.ratio) * int(line.clock.num), int(line.clock.den))
    ratio = Fraction(int(line.term_num), int(line.term_den)) / own
    rate = f"{float(line.term_baud * ratio):.6g} baud"
    form = format_words(line.tx_bits, line.parity, line.stop2)
    error = "" if ratio == 1 else f" ({float(ratio - 1) * 100:+.3g} %)"
    verdict = ""
    if not line.match_out or not line.match_in:
        verdict = ": they do not understand each other"
    return f"{rate} {form}{error}, {terminal}{verdict}"


def character_time(line: Any) -> float:
    """Give the T-states from one character of the terminal to the next, sent back to back."""
    half_bits = 2 + 2 * line.term_bits + 2 * (line.term_parity > 0) + line.term_stop2
    return float(half_bits) / 2 * int(line.term_num) / int(line.term_den)


def terminal_words(line: Any) -> list[str]:
    """Say what the terminal has met and waits for."""
    out = []
    faults = [f"{int(count)} {name}" for count, name in (
        (line.term_framing_errors, "framing errors"), (line.term_parity_errors, "parity errors"),
        (line.term_breaks, "breaks")) if count]
    if faults:
        out.append(f"the terminal met {', '.join(faults)}")
    if line.typed_in != line.typed_out:
        why = ", held back by RTS" if line.term_flow and not line.rts else ""
        out.append(f"{int(line.typed_in - line.typed_out)} typed characters wait{why}")
    return out
