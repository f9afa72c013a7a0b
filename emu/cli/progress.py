"""Say that something is being compiled, on standard error."""
from __future__ import annotations

import sys
from collections.abc import Callable

import click

from emu.cli.running import CLEAR
from emu.cli.say import say


def compiling() -> Callable[[str], None]:
    """Give the callback that `emu.native.units.load` calls for each module that is done."""
    told: list[str] = []

    def done(module: str) -> None:
        if sys.stderr.isatty():
            click.echo(CLEAR, nl=False, err=True)  # what is told of a run may stand there
        if not told:
            say("preburn: compiling for this machine, once:", err=True)
        told.append(module)
        say(f"preburn:   {module} done", err=True)

    return done
