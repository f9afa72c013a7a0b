"""Run a session for someone who watches: its console, how far it is, and Ctrl-C."""
from __future__ import annotations

import shutil
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from emu.cli.console_text import ConsoleText
from emu.errors import ENDING, Ended, say_where

if TYPE_CHECKING:
    from emu.run.session import Session

PATIENCE = 1.0  # seconds of real time before anything is said of a run
PERIOD = 0.25  # and between two looks at it
CLEAR = "\r\x1b[K"


def plain_text(shown: bytes) -> str:
    """Give what a terminal shows as lines of text; what cannot be shown is a mark."""
    text = shown.decode("latin-1").replace("\r\n", "\n").replace("\r", "")
    return "".join(c if c in "\n\t\b" or c.isprintable() else "\ufffd" for c in text)


class Display:
    """The console's text on standard output; below it, on a terminal, how far the run is."""

    def __init__(self, console: bool, where: str) -> None:
        self._console = console
        self._text = ConsoleText(self._show, where)
        self._live = sys.stderr.isatty()
        self._shared = console and sys.stdout.isatty()  # both on one terminal
        self._column = 0  # where the console's text ends on that terminal
        self._status = False  # a status line is shown
        self._since = self._next = time.monotonic() + PATIENCE
        self._since_t = 0

    def echo(self, _: str, new: bytes) -> None:
        """Write console text as it comes, without the carriage returns."""
        if self._console:
            self._text.feed(plain_text(new))

    def _show(self, text: str) -> None:
        if not text:
            return
        self.clear()
        click.echo(text, nl=False)
        before, line, last = text.rpartition("\n")
        self._column = len(last) + (0 if line else self._column)

    def progress(self, session: Session) -> None:
        """Say how far the run is, now and then."""
        now = time.monotonic()
        if not self._live or now < self._next:
            return
        t = int(session.machine.m.t)
        speed = (t - self._since_t) / max(now - self._since, PERIOD)
        self._next, self._since, self._since_t = now + PERIOD, now, t
        line = (f"{float(session.machine.seconds(t)):.1f} s emulated, {speed / 1e6:.0f} MT/s, "
                f"{speed / float(session.machine.hz):.1f} x real time")
        said = session.console.last_line().strip()
        self._draw(line + (f" | {said}" if said and not self._shared else ""))

    def _draw(self, line: str) -> None:
        self.clear()
        width = shutil.get_terminal_size().columns
        fresh = "\n" if self._shared and self._column else ""
        click.echo(f"{fresh}{CLEAR}{line[:width - 1]}", nl=False, err=True)
        self._status = True

    def end(self) -> None:
        """Show what was held back, and take the status line away."""
        self._text.end()
        self.clear()

    def clear(self) -> None:
        """Take the status line away and go back to the end of the console's text."""
        if not self._status:
            return
        self._status = False
        width = shutil.get_terminal_size().columns
        back = f"\x1b[A\x1b[{self._column % width + 1}G" if self._shared and self._column else ""
        click.echo(CLEAR + back, nl=False, err=True)


@contextmanager
def interruptible(session: Session) -> Iterator[None]:
    """Let the first Ctrl-C end the session's run, with a verdict; the next one ends all.

    SIGTERM and SIGHUP end the run, too, and all once what stands in this context is done.
    """
    stops = [signal.SIGINT, *(s for s in ENDING if signal.getsignal(s) is not signal.SIG_IGN)]
    before = {number: signal.getsignal(number) for number in stops}
    came: list[int] = []

    def stop(number: int, _: Any) -> None:
        session.interrupt()
        came.append(number)
        signal.signal(signal.SIGINT, signal.default_int_handler)

    for number in stops:
        signal.signal(number, stop)
    try:
        yield
    finally:
        for number, handler in before.items():
            if signal.getsignal(number) is not signal.SIG_IGN:  # else it is ending already
                signal.signal(number, handler)
    if came and came[-1] != signal.SIGINT:
        ended = Ended(came[-1])
        say_where(ended, f"after {session.machine.stands()}")
        raise ended


def run_watched(session: Session, console: bool, where: str = "") -> None:
    """Run a session to its end.

    ``console``: show what its terminals show, long noise shortened; ``where``: words that say
    where all of it is.
    """
    display = Display(console, where)
    session.echo, session.progress = display.echo, display.progress
    with interruptible(session):
        session.run()
    display.end()
    if session.interrupted:
        click.echo(f"preburn: interrupted after {session.machine.stands()}; the cause is looked "
                   f"for, Ctrl-C again ends at once.", err=True)
