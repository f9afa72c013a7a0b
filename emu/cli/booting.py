"""The options that say how a machine is booted, for the commands that take them all."""
from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from emu.cli.options import limit_seconds
from emu.cli.typing_order import texts_before

if TYPE_CHECKING:
    from fractions import Fraction

    from emu.run.script import Step

F = TypeVar("F", bound=Callable[..., Any])

OPTIONS = (
    click.option("--until", help="Stop when the console shows this text."),
    click.option("--limit", default="30", show_default=True, help="Emulated seconds."),
    click.option("--send", "sends", multiple=True,
                 help=r"Type this (escapes \r \n \xNN) once the console is silent for 0.2 s; "
                      "may be given several times."),
    click.option("--after", "afters", multiple=True,
                 help="Type the --send right behind this only after this text came."),
    click.option("--script", type=click.Path(path_type=Path),
                 help="A file of send and expect lines."),
)


def booting(function: F) -> F:
    """Add --until, --limit, --send, --after and --script; the command's class is Typing."""
    for option in reversed(OPTIONS):
        function = option(function)
    return function


def asked(limit: str, sends: tuple[str, ...], afters: tuple[str, ...],
          script: Path | None) -> tuple[Fraction, list[Step]]:
    """Turn the options into emulated seconds and the steps of a session."""
    from emu.run.script import read_script, sends_of
    from emu.run.session import SILENCE

    seconds = limit_seconds(limit)
    steps = read_script(script) if script else []
    return seconds, steps + sends_of(sends, texts_before(afters), SILENCE)
