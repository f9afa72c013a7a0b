"""A machine that writes down what it does while a session runs it."""
from __future__ import annotations

from collections.abc import Callable, Sequence

from emu.backplane.description import Description
from emu.logs.records import Chunk
from emu.logs.tracer import Tracer
from emu.logs.window import Outlet, Window
from emu.machine.machine import Machine

EARLY = 2000  # T-states before a known beginning where tracing starts: some instructions


class Finished(Exception):
    """The end of the wanted stretch is reached; nothing more need be run."""


class TracedMachine(Machine):
    """A machine whose ``run`` traces once ``trace`` has been called.

    Before a beginning that is known as a T-state it runs at full speed.  ``run`` raises
    Finished behind the window's end.
    """

    def __init__(self, description: Description, seed: int | None = None,
                 progress: Callable[[str], None] | None = None) -> None:
        super().__init__(description, seed, progress)
        self._progress = progress
        self._window = Window(None, None)
        self._outlets: Sequence[Outlet] = ()
        self._tracer: Tracer | None = None
        self._told: Callable[[Chunk], None] = lambda _: None
        self._begin_t: int | None = None  # None: not tracing yet

    def trace(self, window: Window, outlets: Sequence[Outlet],
              told: Callable[[Chunk], None] = lambda _: None) -> None:
        """Trace the window into the outlets; ``told`` is given each chunk that was taken."""
        self._window, self._outlets, self._told = window, outlets, told
        self._begin_t = max(window.begin_t - EARLY, 0)

    def run(self, t_stop: int) -> int:
        """See Machine.run."""
        if self._begin_t is None:
            return super().run(t_stop)
        if self._tracer is None:
            if int(self.m.t) < self._begin_t:
                return super().run(min(t_stop, self._begin_t))
            self._tracer = Tracer(self, self._take, self._progress)
        reason = self._tracer.run(t_stop)
        if self._tracer.done:
            raise Finished
        return reason

    def _take(self, chunk: Chunk) -> None:
        wanted = self._window.cut(chunk)
        if wanted is not None:
            for outlet in self._outlets:
                outlet.take(wanted)
        self._told(chunk if wanted is None else wanted)
        if self._window.done and self._tracer is not None:
            self._tracer.done = True

    def finish(self) -> None:
        """Hand on all that is still held back."""
        if self._tracer is not None:
            self._tracer.close()
        for outlet in self._outlets:
            outlet.close()
