"""Run a session for someone who watches: its console, how far it is, and Ctrl-C."""
from __future__ import annotations

import os
import shutil
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any

import click

from emu.cli.console_text import ConsoleText
from emu.errors import ENDING, Ended, printable, say_where

if TYPE_CHECKING:
    from emu.run.session import Session

STOPPED = 130  # exit status of what Ctrl-C ended
BUILDING = "the machine is built"  # or its code waits for another process that compiles
PATIENCE = 1.0  # seconds of real time before anything is said of what is under way
PERIOD = 0.25  # and between two looks at it
CLEAR = "\r\x1b[K"


def plain_text(shown: bytes) -> str:
    """Give what a terminal shows as lines of text; what cannot be shown is a mark."""
    text = shown.decode("latin-1").replace("\r\n", "\n").replace("\r", "")
    return "".join(c if c in "\n\t\b" or c.isprintable() else "\ufffd" for c in text)


class Display:
    """The console's text on standard output; below it, on a terminal, what is under way.

    ``console``: show what the terminals of `run`'s sessions show, long noise shortened;
    ``where``: words that say where all of it is.  A timer's signal draws the line, between two
    legs of the machine: it tells of whatever takes long, and costs nothing.
    """

    def __init__(self, console: bool = False, where: str = "") -> None:
        self._console = console
        self._text = ConsoleText(self._show, where)
        self._live = sys.stderr.isatty()
        self._shared = console and sys.stdout.isatty()  # both on one terminal
        self._column = 0  # where the console's text ends on that terminal
        self._status = False  # a line is drawn
        self._writing = False  # on standard output: nothing may come between
        self._what, self._share, self._begun = "", 0.0, 0.0
        self._session: Session | None = None  # which runs
        self._since, self._since_t = 0.0, 0

    def run(self, session: Session) -> None:
        """Run a session until its end, or Ctrl-C (see `interruptible`)."""
        session.echo = self._echo
        self._session, self._since = session, time.monotonic()
        self._since_t = int(session.machine.m.t)
        try:
            with self.doing("running"), interruptible(session):
                session.run()
        finally:
            self._session = None
        self._text.end()

    @contextmanager
    def doing(self, what: str) -> Iterator[None]:
        """Say, from a second on, that this is under way."""
        if not self._live:
            yield
            return
        outer = self._what, self._begun, self._share
        self._what, self._begun, self._share = what, time.monotonic(), 0.0
        before = signal.signal(signal.SIGALRM, self._tick)
        signal.setitimer(signal.ITIMER_REAL, PATIENCE, PERIOD)
        try:
            yield
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)
            signal.signal(signal.SIGALRM, before)
            self.clear()
            self._what, self._begun, self._share = outer
            if outer[0]:
                signal.setitimer(signal.ITIMER_REAL, PERIOD, PERIOD)

    def share(self, done: float) -> None:
        """Take note of the share of what is under way that is done."""
        self._share = done

    def _echo(self, _: str, new: bytes) -> None:
        """Write console text as it comes, without the carriage returns."""
        if self._console:
            self._text.feed(plain_text(new))

    def _show(self, text: str) -> None:
        if not text:
            return
        self._writing = True
        self.clear()
        click.echo(text, nl=False)
        self._writing = False
        before, line, last = text.rpartition("\n")
        self._column = len(last) + (0 if line else self._column)

    def _tick(self, _number: int, _frame: Any) -> None:
        if not self._writing:
            self._draw(self._said() if self._session is None else self._how_far(self._session))

    def _said(self) -> str:
        share = f", {100 * self._share:.0f} %" if self._share else ""
        return f"{self._what}, {time.monotonic() - self._begun:.0f} s{share}"

    def _how_far(self, session: Session) -> str:
        now, t = time.monotonic(), int(session.machine.m.t)
        speed = (t - self._since_t) / max(now - self._since, PERIOD)
        self._since, self._since_t = now, t
        line = (f"{float(session.machine.seconds(t)):.1f} s emulated, {speed / 1e6:.0f} MT/s, "
                f"{speed / float(session.machine.hz):.1f} x real time")
        said = session.console.last_line().strip()
        return line + (f" | {said}" if said and not self._shared else "")

    def _draw(self, line: str) -> None:
        self.clear()
        width = shutil.get_terminal_size().columns
        fresh = "\n" if self._shared and self._column else ""
        _put(f"{fresh}{CLEAR}{printable(line, '')[:width - 1]}")
        self._status = True

    def clear(self) -> None:
        """Take the line away and go back to the end of the console's text."""
        if not self._status:
            return
        self._status = False
        width = shutil.get_terminal_size().columns
        back = f"\x1b[A\x1b[{self._column % width + 1}G" if self._shared and self._column else ""
        _put(CLEAR + back)


def _put(text: str) -> None:
    """Write to standard error past its buffers, which the signal may have come upon at work."""
    with suppress(OSError):
        os.write(sys.stderr.fileno(), text.encode(sys.stderr.encoding or "utf-8", "replace"))


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


def last_words(session: Session) -> str:
    """Tell the last line that a terminal shows, as the end of a sentence; "" when there is none."""
    said = session.console.last_line().strip()
    return f"; the console's last line is {said!r}" if said else ""


def end_interrupted(session: Session, words: str) -> None:
    """End with what Ctrl-C ends with, if it has ended the session's run; ``words``: what comes of
    what the run had done so far."""
    if session.interrupted:
        click.echo(f"preburn: stopped by Ctrl-C after {session.machine.stands()}; {words}",
                   err=True)
        sys.exit(STOPPED)
