"""Print a text on a terminal: what files and machines hold cannot command it."""
from __future__ import annotations

import json
import sys
from typing import Any

import click

from emu.cli.wrapping import columns, wrapped
from emu.errors import one_line, printable


def put(text: object = "", nl: bool = True, err: bool = False) -> None:
    """Print a text; control characters in it other than line ends and tabs come as escapes."""
    click.echo(printable(str(text)), nl=nl, err=err)


def say(text: object = "", nl: bool = True, err: bool = False) -> None:
    """Print a text for people: ``put``, and on a terminal its lines are wrapped."""
    lines = printable(str(text)).split("\n")
    if (sys.stderr if err else sys.stdout).isatty():
        lines = [part for line in lines for part in wrapped(line, columns())]
    click.echo("\n".join(lines), nl=nl, err=err)


def say_json(value: Any) -> None:
    """Print one JSON value for programs."""
    click.echo(json.dumps(value, indent=2))


def complain(text: str) -> None:
    """Write a line about a mistake to standard error."""
    say(f"preburn: {one_line(text)}", err=True)
