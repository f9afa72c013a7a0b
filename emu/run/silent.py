"""Ask something of a run now and then, once it has been silent."""
from __future__ import annotations

from collections.abc import Callable

from emu.machine.machine import Machine
from emu.run.session import Session

SILENT = 1  # seconds without a character or an input, before anything is looked at


class Silent:
    """Asks a session's machine seldom enough to cost nothing: see `Session.over`."""

    def __init__(self, ask: Callable[[Machine], str]) -> None:
        self._ask = ask
        self._next = 0

    def __call__(self, session: Session) -> str:
        """Give the answer's words, if it was time to ask, else nothing."""
        machine = session.machine
        now, since = int(machine.m.t), session.last_activity()
        silent = machine.at(SILENT)
        if now < max(self._next, since + silent):
            return ""
        self._next = now + max(now - since, silent)
        return self._ask(machine)
