"""Boot a machine headless: run it, type at it, and look for a text.

Everything is decided by emulated time, so a session is the same on every machine: the
run goes in slices of fixed length, and what is typed starts at a T-state worked out from
what the terminals have shown.
"""
from __future__ import annotations

import codecs
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction

from emu.console import Console
from emu.description import Description
from emu.errors import InputError
from emu.machine import Machine, Snapshot

SLICE = Fraction(1, 50)  # seconds of emulated time between looks at the console
SILENCE = Fraction(1, 5)  # of the console, before something is typed
LIMIT = 30  # seconds of emulated time
KEPT = 8  # snapshots a session keeps to replay from


def keys(text: str) -> bytes:
    r"""Turn an option's text with \r, \n, \t, \xNN escapes into bytes; InputError if it is not
    ASCII or an escape is broken."""
    try:
        return codecs.decode(text.encode("ascii"), "unicode_escape").encode("latin-1")
    except (UnicodeError, ValueError):
        raise InputError(f"{text!r} holds something else than ASCII and the escapes \\r \\n \\t "
                         f"\\xNN.") from None


@dataclass
class Send:
    """Something to type: once the console is silent, or once a text has come."""

    keys: bytes
    after: bytes | None = None


@dataclass
class Session:
    """One boot."""

    machine: Machine
    until: str | None = None
    limit: Fraction = Fraction(LIMIT)
    sends: list[Send] = field(default_factory=list)
    echo: Callable[[str, bytes], None] | None = None  # called with what a terminal shows
    reached: bool = False
    reached_t: int = 0
    interrupted: bool = False
    inputs: list[tuple[int, str, bytes]] = field(default_factory=list)
    saved: list[Snapshot] = field(default_factory=list)  # before the last things typed

    def __post_init__(self) -> None:
        self.console = Console(self.machine)
        self._searched = 0
        self._after_from = 0
        self._silent_from = 0
        if self.sends and self.console.main is None:
            raise InputError(f"{self.machine.description.path}: no card with a terminal is "
                             f"fitted, so nothing can be typed.")

    def run(self) -> None:
        """Run until the text comes, or the limit."""
        end = self.machine.at(self.limit)
        step = self.machine.at(SLICE)
        try:
            while int(self.machine.m.t) < end and not self.reached:
                now = int(self.machine.m.t)
                self.run_to(min((now // step + 1) * step, end))
                self._type_next()
                self._look_for_text()
        except KeyboardInterrupt:
            self.interrupted = True

    def run_to(self, t: int) -> None:
        """Run to a T-state, fetching what the terminals show."""
        while int(self.machine.m.t) < t:
            self.machine.run(t)
            for name, new in self.console.take():
                if self.echo is not None:
                    self.echo(name, new)

    def _main_text(self) -> bytearray:
        main = self.console.main
        return self.console.channels[main].text if main is not None else bytearray()

    def _type_next(self) -> None:
        """Type the next text when its time has come."""
        if not self.sends:
            return
        send = self.sends[0]
        now = int(self.machine.m.t)
        if send.after is not None:
            at = self._main_text().find(send.after, self._after_from)
            if at < 0:
                return
            self._after_from = at + len(send.after)
        quiet = max(self.console.last_shown(), self._silent_from) + self.machine.at(SILENCE)
        if send.after is None and quiet > now:
            return
        self.sends.pop(0)
        self.type_in(self.console.main or "", send.keys)
        self._silent_from = now
        self._after_from = max(self._after_from, len(self._main_text()))
        self._searched = max(self._searched, len(self._main_text()))

    def type_in(self, name: str, what: bytes) -> None:
        """Type at a channel now, and remember it so that the run can be repeated."""
        now = int(self.machine.m.t)
        self.saved = [*self.saved[-KEPT + 1:], self.machine.snapshot()]
        self.console.type(name, what, now)
        self.inputs.append((now, name, what))

    def type_now(self, name: str, what: bytes) -> None:
        """Type at a channel in a forked machine: nothing is remembered."""
        self.console.type(name, what, int(self.machine.m.t))

    def _look_for_text(self) -> None:
        """See whether the text of --until has come; it counts from the last thing typed."""
        if self.until is None or self.sends:
            return
        wanted = self.until.encode("latin-1", "replace")
        for channel in self.console.channels.values():
            start = self._searched if channel.name == self.console.main else 0
            at = channel.text.find(wanted, start)
            if at >= 0:
                self.reached = True
                self.reached_t = channel.times[at + len(wanted) - 1]

    def replay(self, t: int) -> Machine:
        """Build the same machine anew and run it, with the same inputs, to a T-state (from the
        latest snapshot before it, if there is one)."""
        machine = Machine(self.machine.description, self.machine.seed)
        start = max((snapshot for snapshot in self.saved if snapshot.t <= t),
                    key=lambda snapshot: snapshot.t, default=None)
        if start is not None:
            machine.restore(start)
        again = Session(machine)
        for when, name, what in self.inputs:
            if start is not None and when < start.t:
                continue
            again.run_to(min(when, t))
            again.console.type(name, what, when)  # what comes after t is typed, not yet sent
        again.run_to(t)
        return machine

    def last_activity(self) -> int:
        """Give the T-state of the last character shown or typed."""
        typed = max((t for t, _, _ in self.inputs), default=0)
        return max(typed, self.console.last_shown())


def boot(description: Description, *, until: str | None = None,
         limit: Fraction = Fraction(LIMIT), sends: list[Send] | None = None,
         seed: int | None = None, echo: Callable[[str, bytes], None] | None = None,
         progress: Callable[[str], None] | None = None) -> Session:
    """Build a machine and run a session on it to its end."""
    session = Session(Machine(description, seed, progress), until, limit, list(sends or []), echo)
    session.run()
    return session
