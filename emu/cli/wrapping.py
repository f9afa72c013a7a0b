"""Lines laid out for whoever reads them: wrapped and painted on a terminal, plain in a pipe."""
from __future__ import annotations

import os
import re
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

import click

from emu.errors import printable

if TYPE_CHECKING:
    from emu.diagnosis.verdict import Verdict

NARROWEST = 20  # columns; below it nothing is wrapped
HANG = 4  # columns by which what goes on in the next line is set in
HEAD = re.compile(r"verdict: ([a-z-]+)")
GOOD = ("reached", "waiting-for-input")
TITLE = re.compile(r"[a-z]+:")
WHOLE = re.compile(  # the blank between a number and its unit, a register and what it holds
    r"(?<=\d) (?=(?:[mun]?s|[kM]?Hz|KiB|bytes|baud)\b|%)"
    r"|(?:(?<=\b[a-z]{2})|(?<=[a-z]')) (?=[0-9A-F]{4}\b)|(?<=\biff[12]) (?=[01])")
HELD = "\xa0"  # a blank at which no line is broken


def wrapped(line: str, width: int) -> list[str]:
    """Break a line at blanks into lines of at most ``width`` columns, with a hanging indent.

    A word that is longer than a line stays whole, so that it can be copied; so do a number with its
    unit and a register with its value.
    """
    if len(line) <= width or width < NARROWEST:
        return [line]
    start = len(line) - len(line.lstrip(" "))
    hang = " " * min(start + (2 if line.lstrip().startswith("- ") else HANG), width // 3)
    rows = textwrap.wrap(WHOLE.sub(HELD, line.strip()), width, initial_indent=" " * start,
                         subsequent_indent=hang, break_long_words=False, break_on_hyphens=False)
    return [row.replace(HELD, " ") for row in rows] or [""]


def painted(line: str) -> str:
    """Paint a line as what it is: the verdict, the title of a list, or neither."""
    found = HEAD.match(line)
    if found is not None:
        return paint_verdict(line, found[1])
    return click.style(line, bold=True) if TITLE.fullmatch(line) else line


def paint_verdict(text: str, verdict: str) -> str:
    """Paint what tells a verdict: green when it went well, red when not, yellow between."""
    colour = "green" if verdict in GOOD else "yellow" if verdict == "still-running" else "red"
    return click.style(text, fg=colour, bold=True)


def show_end(verdict: Verdict, took: str) -> None:
    """Write the last line: the verdict in a word once more, and what took how long."""
    head = verdict.verdict + (f", {verdict.cause}" if verdict.cause else "")
    show_headed(head, f" ({took})", lambda text: paint_verdict(text, verdict.verdict))


def show_headed(head: str, rest: str, paint: Callable[[str], str]) -> None:
    """Write a line whose head is painted."""
    line = printable(head + rest)
    first, *others = wrapped(line, columns()) if sys.stdout.isatty() else [line]
    click.echo(paint(first[:len(head)]) + first[len(head):], color=coloured())
    for part in others:
        click.echo(part)


def columns() -> int:
    """Give the width of the terminal."""
    return shutil.get_terminal_size().columns


def coloured() -> bool | None:
    """Tell click whether to keep colours; None: as the stream is."""
    return False if os.environ.get("NO_COLOR") else None


def show(lines: Iterable[str]) -> None:
    """Write lines to standard output, laid out for the terminal if it is one; control characters
    come as escapes."""
    lines = [part for line in lines for part in printable(line).split("\n")]
    if not sys.stdout.isatty():
        click.echo("\n".join(lines))
        return
    for line in lines:
        found = HEAD.match(line)
        for part in wrapped(line, columns()):
            click.echo(paint_verdict(part, found[1]) if found else painted(part),
                       color=coloured())
