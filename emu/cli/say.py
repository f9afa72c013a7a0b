"""Print a line of text on a terminal: what files and machines hold cannot command it."""
from __future__ import annotations

import click

from emu.errors import printable


def say(text: object = "", nl: bool = True, err: bool = False) -> None:
    """Print a text; control characters in it other than line ends and tabs come as escapes."""
    click.echo(printable(str(text)), nl=nl, err=err)
