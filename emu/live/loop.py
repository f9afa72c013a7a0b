"""The live loop: keys in, the machine on by a hundredth of a second, characters out."""
from __future__ import annotations

import select
from collections.abc import Callable, Iterable, Sequence

from emu.bus.state import FAR
from emu.errors import Ended, InputError
from emu.live.escape import split
from emu.live.glass import Glass
from emu.live.pace import Pace
from emu.live.terminal_links import HELD, Link, Screen
from emu.run.console import room_at
from emu.stepper.stepper import Stepper

PROMPT = "console> "


class Live:
    """A machine that lives; ``screen`` is the user's terminal, None when only links are served.

    ``do`` does a line of words (emu/live/words.py), ``ask`` reads one with
    the terminal as it usually is, ``tell`` lays an answer out for it.
    """

    def __init__(self, stepper: Stepper, links: Sequence[Link], screen: Screen | None,
                 pace: Pace, escape: int, do: Callable[[Live, str], list[str]],
                 tell: Callable[[Iterable[str]], None],
                 ask: Callable[[str], str] = input) -> None:
        self.stepper, self.links, self.screen, self.pace = stepper, links, screen, pace
        self.escape = escape
        self.done = self.paused = False
        self.tell, self._ask, self._do = tell, ask, do
        self._by_name = {link.name: link for link in links}
        self._waiting: dict[str, bytes] = {}  # keys that the machine has no room for yet
        self.dropped = 0  # keys typed at the screen that nobody had room for
        self._glass = Glass(stepper.machine)
        self.end_t = FAR
        stepper.echo = self._show

    def _show(self, name: str, new: bytes) -> None:
        link = self._by_name.get(name)
        if link is not None:
            link.write(new)

    @property
    def channel(self) -> str:
        """The channel of the screen, or the first one of a link."""
        return self.screen.name if self.screen else self.links[0].name

    def type(self, keys: bytes, name: str | None = None) -> None:
        """Type at a channel, the screen's one without a name; what has no room yet waits."""
        where = name or self.channel
        keys = self._waiting.get(where, b"") + keys
        now = keys[:room_at(self.stepper.machine, where)]
        if now:
            self.stepper.change("typed", where, now)
        self._waiting[where] = keys[len(now):][:HELD]
        self.dropped += max(len(keys) - len(now) - HELD, 0)

    def run(self) -> None:
        """Live until told to leave, or ``end_t`` is reached."""
        self._resume()
        try:
            while not self.done and self.stepper.t < self.end_t:
                self._listen()
                if self.paused:
                    self._talk()
                    continue
                for name in [name for name, keys in self._waiting.items() if keys]:
                    self.type(b"", name)
                t = min(self.pace.target(self.stepper.t), self.end_t)
                if t > self.stepper.t:
                    self.stepper.go(t)
                self._draw()
        finally:
            self._draw_end()

    def _resume(self) -> None:
        self.pace.start(self.stepper.t)
        if self.screen is not None:
            self.screen.write(self._glass.open())

    def _listen(self) -> None:
        """Wait for keys, and type them."""
        waiting = {number: link for link in self.links for number in link.descriptors()
                   if link is self.screen or len(self._waiting.get(link.name, b"")) < HELD // 2}
        ready, _, _ = select.select(list(waiting), [], [], self.pace.wait())
        for link in {id(waiting[n]): waiting[n] for n in ready}.values():
            keys = link.read()
            if link is not self.screen:
                if keys:
                    self.type(keys, link.name)
                continue
            if not keys:  # the terminal has gone
                self.done = True
            keys, behind = split(keys, self.escape)
            if keys:
                self.type(keys)
            self.paused = behind is not None
        for link in self.links:
            link.write(b"")

    def _draw(self) -> None:
        if self.screen is not None and (drawn := self._glass.draw()):
            self.screen.write(drawn)

    def _draw_end(self) -> None:
        if self.screen is not None:
            self.screen.write(self._glass.close())

    def _talk(self) -> None:
        """Take lines of words until the machine goes on."""
        assert self.screen is not None
        self._draw_end()
        self.screen.cooked()
        print("\nstopped; help lists the words, an empty line goes on.")
        try:
            while self.paused:
                try:
                    told = self._do(self, self._ask(PROMPT))
                except InputError as error:
                    told = [str(error)]
                except Ended:
                    raise
                except (EOFError, KeyboardInterrupt):
                    told = self._do(self, "on")
                self.tell(told)
        finally:
            self.screen.raw()
        self._resume()
