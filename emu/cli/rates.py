"""``preburn rates``: which baud rates and ticks the fitted cards reach, and the bytes to write."""
from __future__ import annotations

import sys
from fractions import Fraction
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emu.cli.options import backplane_file
from emu.cli.say import say, say_json
from emu.errors import InputError
from emu.files.numbers import exact

if TYPE_CHECKING:
    from emu.backplane.rate_search import Reached

SHOWN = 2  # ways of a part that are near enough, unless all are asked for


@click.command()
@backplane_file
@click.option("--want", multiple=True, metavar="BAUD", help="A baud rate of a serial line.")
@click.option("--tick", multiple=True, metavar="HERTZ", help="A periodic interrupt.")
@click.option("--all", "everything", is_flag=True, help="List every way, those out of reach too.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(file: Path, want: tuple[str, ...], tick: tuple[str, ...], everything: bool,
            as_json: bool) -> None:
    """List what reaches a rate on the backplane FILE: oscillators, dividers, bytes to write.

    The bytes set 8 data bits, no parity, 1 stop bit, with sender and receiver on, and for a
    tick the interrupt on.
    Exit status 1 when a rate is out of reach.
    """
    from emu.backplane.description import load
    from emu.backplane.rate_search import reach
    from emu.card.rate_ways import BAUD, TICK

    asked = [(BAUD, _hertz(text, "--want")) for text in want]
    asked += [(TICK, _hertz(text, "--tick")) for text in tick]
    if not asked:
        raise InputError("give --want BAUD or --tick HERTZ.")
    description = load(file, unbuilt=True)
    out, lacking = [], False
    for purpose, rate in asked:
        found = reach(description, purpose, rate)
        lacking |= not _print(purpose, rate, found, everything, as_json)
        out.append({"purpose": purpose, "want": float(rate),
                    "ways": [one.as_dict() for one in found]})
    if as_json:
        say_json(out)
    sys.exit(1 if lacking else 0)


def _hertz(text: str, option: str) -> Fraction:
    try:
        value = exact(text)
    except ValueError:
        value = Fraction(0)
    if not 0 < value <= 100_000_000:
        raise InputError(f"{option} takes a rate such as 38400 or 100, not {text!r}.")
    return value


def _print(purpose: str, rate: Fraction, found: list[Reached], everything: bool,
           as_json: bool) -> bool:
    """Print the ways to one rate; tell whether one is near enough."""
    from emu.backplane.rate_search import WORST, verdict
    from emu.card.rate_ways import BAUD

    unit = "baud" if purpose == BAUD else "interrupts a second"
    near = any(abs(one.error) <= WORST for one in found)
    if as_json:
        return near
    say(f"{float(rate):g} {unit}:" if near else
        f"{float(rate):g} {unit}: no fitted card comes within "
        f"{float(WORST) * 100:g} % of it.")
    for (slot, part), ways in groupby(found, key=lambda one: (one.slot, one.way.part)):
        nearest = list(ways)
        if not everything:
            nearest = [w for w in nearest if abs(w.error) <= WORST][:SHOWN] or nearest[:not near]
        for one in nearest:
            say(f"  {f'{slot} {part}'.strip()}: {float(one.way.rate):.7g} "
                f"({verdict(purpose, one.error)}) = {one.way.words}"
                f"{'; ' if one.way.note else ''}{one.way.note}")
            for port, write in one.writes:
                where = f"port {port:02X}h" if port is not None else "a port not decoded"
                say(f"      {write.byte:02X}h to {where} ({write.slot} {write.register})")
    return near
