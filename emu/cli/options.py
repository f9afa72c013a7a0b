"""Options that more than one command takes."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import click

from emu.card.number_words import read_time
from emu.errors import InputError
from emu.files.numbers import LONGEST, exact

MACHINE = Path("machine.toml")  # the backplane file of a folder, when none is named
MOST_NAMED = 3


def own_machine() -> Path:
    """Give the backplane file of this folder; InputError when there is none."""
    if not MACHINE.exists():
        others = sorted(path.name for path in Path().glob("*.toml"))[:MOST_NAMED]
        raise InputError(f"no {MACHINE} in this folder; name a backplane FILE"
                         + (f", such as {' or '.join(others)}." if others else "."))
    return MACHINE


def _named(_context: click.Context, _parameter: click.Parameter, file: Path | None) -> Path:
    return own_machine() if file is None else file


backplane_file = click.argument("file", required=False, callback=_named,
                                type=click.Path(path_type=Path))


def limit_seconds(text: str, option: str = "--limit") -> Fraction:
    """Read an option of seconds of emulated time; InputError when it is none."""
    try:
        value = read_time(text) or exact(text)
    except ValueError:
        raise InputError(f"{option} takes seconds such as 10 or 0.5, not {text!r}.") from None
    if not 0 < value <= LONGEST:
        raise InputError(f"{option} takes seconds above 0 and up to {LONGEST}, not {text}.")
    return value
