"""Boot a machine headless: run it, type at it, and look for a text.

Everything is decided by emulated time, so a session is the same on every machine: the
run goes in slices of fixed length, and what is typed starts at a T-state worked out from
what the terminals have shown.  While nothing can come of a look at the console, slices are
left out: see `Session.run`.
"""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import InitVar, dataclass, field
from fractions import Fraction
from typing import Any

from emu.errors import InputError, say_where
from emu.machine.legs import BrokenOff
from emu.machine.machine import Machine
from emu.run.console import Console
from emu.run.done_again import PlayedMachine, Run
from emu.run.hands import read_hand
from emu.run.inputs import Input, checked, toml_value
from emu.run.medium_change import check_bay
from emu.run.player import Player
from emu.run.script import Step
from emu.run.snapshot_shelf import Shelf

SLICE = Fraction(1, 50)  # seconds of emulated time between looks at the console
QUIET = 50  # slices run as one while the terminals are silent
SILENCE = Fraction(1, 5)  # of the console, before something is typed
LIMIT = 30  # seconds of emulated time
BUDGET = 32 << 20  # bytes of snapshots a session keeps to replay from


@dataclass
class Session:
    """One boot.

    Given ``inputs`` it is one done again: those behind the first ``made`` are still to come,
    and are made as it runs.
    """

    machine: Machine
    until: str | None = None
    limit: Fraction = Fraction(LIMIT)
    steps: list[Step] = field(default_factory=list)
    echo: Callable[[str, bytes], None] | None = None  # called with what a terminal shows
    reached: bool = False
    reached_t: int = 0
    over: Callable[[Session], str] | None = None  # called after each slice once nothing is to
    # be typed: words that end the run, since nothing can come of it any more
    closed: str = ""  # those words
    interrupted: bool = False  # see `interrupt`
    failed_step: Step | None = None  # an expect whose text did not come in time
    inputs: list[Input] = field(default_factory=list)
    made: InitVar[int] = 0
    shelf: Shelf = field(default_factory=lambda: Shelf(BUDGET))  # states before what was done
    shown: InitVar[Console | None] = None  # the machine's console, if somebody has one
    met: list[tuple[str, bytes, int]] = field(default_factory=list)  # texts that came: channel,
    # text, T-state of its last character

    def __post_init__(self, made: int, shown: Console | None) -> None:
        if self.until == "":
            raise InputError("--until takes a text that is not empty; leave it out to run to the "
                             "limit.")
        self.asked = tuple(self.steps)  # all of them; ``steps`` shrinks to those still open
        self.console = shown or Console(self.machine)
        self.player = Player(self.machine, self.inputs)
        self.player.made = made
        self.player.after_leg = self._fetch
        self._news = False  # something was shown in the last leg
        self._running = False
        self._channel = self.console.main
        self._searched: dict[str, int] = {}  # how much of each channel cannot hold --until
        self._seen: dict[str, int] = {}  # how much of each channel's text is behind us
        self._step_since = 0  # when the step under way began
        if self._channel is None and any(step.kind in ("send", "expect") for step in self.steps):
            raise InputError(f"{self.machine.description.path}: no card with a terminal is "
                             f"fitted, so nothing can be typed.")
        channel = self._channel or ""
        for step in self.steps:
            if step.kind == "channel":
                channel = step.text.decode()
                self.console.find(channel, step.place)
            elif step.kind in ("insert", "eject"):
                check_bay(self.machine, step.text.decode().partition(" ")[0], step.place)
            elif step.kind == "hand":
                self._check_hand(step, channel)

    def _check_hand(self, step: Step, channel: str) -> None:
        """See before the run that the machine has what a hand is to move."""
        kind, where, value = read_hand(step.text.decode(), channel)
        try:
            checked(self.machine, Input(0, kind, where, value))
        except InputError as error:
            raise InputError(f"{step.place}: {error}") from None

    def interrupt(self) -> None:
        """End the run under way soon, between two instructions; a signal handler may ask so."""
        self.interrupted = True
        self.machine.break_off(self._running)

    def run(self) -> None:
        """Run until the text comes, the limit, or `interrupt`.

        All else happens at ends of slices.  KeyboardInterrupt that comes from it says where
        the machine stands.
        """
        self._running = True
        try:
            self.go_on(self.machine.at(self.limit))
        except BrokenOff:
            self.console.leave_when_shown(False)
            self._fetch()
        except KeyboardInterrupt as stop:
            say_where(stop, f"after {self.machine.stands()}")
            raise
        finally:
            self._running = False
            self.machine.break_off(False)

    def go_on(self, end: int) -> None:
        """Run to a T-state, or until the text comes, doing what the script asks on the way."""
        while int(self.machine.m.t) < end and not (self.reached or self.interrupted
                                                   or self.closed):
            self._run_slice(end)
            while self.steps and self._do(self.steps[0]):
                self._step_since = int(self.machine.m.t)
                self.steps.pop(0)
            if self.failed_step is not None:
                break
            self.look_for_text()
            if self.over is not None and not self.steps and not self.reached:
                self.closed = self.over(self)

    def _slice_end(self, count: int = 1) -> int:
        """Give the T-state in which the slice under way, or a later one, ends."""
        step = self.machine.at(SLICE)
        return (int(self.machine.m.t) // step + count) * step

    def _run_slice(self, end: int) -> None:
        """Run to the end of the slice.

        Without a script, a slice in which nothing is shown changes nothing: then up to QUIET
        of them are run as one, and the first character ends them at the end of its slice.
        """
        if not self.steps:
            self.player.make_due()
            self.console.leave_when_shown(True)
            self.player.leg(min(self._slice_end(QUIET), end))
            self.console.leave_when_shown(False)
            if not self._news:
                return
        self.run_to(min(self._slice_end(), end))

    @property
    def missed(self) -> Step | None:
        """The expected text that did not come: in its time, or to the end of the run."""
        return self.failed_step or next((s for s in self.steps if s.kind == "expect"), None)

    def run_to(self, t: int) -> None:
        """Run to a T-state, making the inputs due, and fetch what the terminals show."""
        self.player.run_to(t)

    def _fetch(self) -> None:
        """Fetch what the terminals have shown."""
        shown = self.console.take()
        self._news = bool(shown)
        for name, new in shown:
            if self.echo is not None:
                self.echo(name, new)

    def _do(self, step: Step) -> bool:
        """Try a step of the script; tell whether it is done."""
        now = int(self.machine.m.t)
        name = self._channel or ""
        if step.kind == "channel":
            self._channel = step.text.decode()
        elif step.kind == "send":
            self.type_in(name, step.text)
            self._seen[name] = len(self.console.channels[name].text)
        elif step.kind == "expect":
            return self._expect(step, name)
        elif step.kind in ("insert", "eject"):
            bay, _, path = step.text.decode().partition(" ")
            self.do("medium", bay, path or None)
        elif step.kind in ("do", "set"):
            what, _, given = step.text.decode("latin-1").partition(" ")
            try:
                if step.kind == "do":
                    self.do("card", what, given)
                else:
                    self.do("jumper", what, toml_value(what, given))
            except InputError as error:
                raise InputError(f"{step.place}: {error}") from None
        elif step.kind == "hand":
            self.do(*read_hand(step.text.decode(), name))
        elif step.kind == "at":
            return now >= self.machine.at(step.seconds)
        elif step.kind == "silence":
            quiet_since = max(self.console.last_shown(), self._step_since)
            return now >= quiet_since + self.machine.at(step.seconds)
        else:
            return now >= self._step_since + self.machine.at(step.seconds)
        return True

    def _expect(self, step: Step, name: str) -> bool:
        at = self.console.channels[name].text.find(step.text, self._seen.get(name, 0))
        if at >= 0:
            self._seen[name] = at + len(step.text)
            self.met.append((name, step.text, self.console.channels[name].times[
                at + len(step.text) - 1]))
            return True
        if int(self.machine.m.t) >= self._step_since + self.machine.at(step.seconds):
            self.failed_step = step
        return False

    def do(self, kind: str, where: str, value: Any) -> Input:
        """Make an input now, and remember it so that the run can be repeated.

        Kinds, places and values are those of emu/run/inputs.py; InputError when one of
        them cannot be.
        """
        self.player.to_whole_instruction()
        now = int(self.machine.m.t)
        change = checked(self.machine, Input(now, kind, where, value))
        self.keep()
        self.inputs.append(change)
        self.player.make_due()
        return change

    def keep(self) -> None:
        """Keep the state to replay from."""
        now = float(self.machine.seconds(int(self.machine.m.t)))
        self.shelf.keep(self.machine, self.player.made, now)

    def type_in(self, name: str, what: bytes) -> None:
        """Type at a channel now."""
        self.do("typed", name, what)

    def type_now(self, name: str, what: bytes) -> None:
        """Type at a channel in a forked machine: nothing is remembered."""
        self.console.type(name, what, int(self.machine.m.t))

    def look_for_text(self) -> None:
        """See whether the text of --until has come; it counts from the last thing typed."""
        if self.until is None or self.steps:
            return
        wanted = self.until.encode("latin-1", "replace")
        for channel in self.console.channels.values():
            start = max(self._seen.get(channel.name, 0), self._searched.get(channel.name, 0))
            at = channel.text.find(wanted, start)
            self._searched[channel.name] = max(len(channel.text) - len(wanted) + 1, 0)
            if at >= 0:
                self.reached = True
                self.reached_t = channel.times[at + len(wanted) - 1]

    def so_far(self) -> Run:
        """Give this run as far as it has come, to do it again."""
        return Run(self.machine.description, self.machine.seed,
                   tuple(self.inputs[:self.player.made]), int(self.machine.m.t), self.shelf)

    def replay(self, t: int) -> PlayedMachine:
        """Build the same machine anew and run it, with the same inputs, to a T-state."""
        return self.so_far().at(t)

    def typed_at(self) -> dict[str, int]:
        """Count the characters typed so far, by channel."""
        count: dict[str, int] = {}
        for change in self.inputs[:self.player.made]:
            if change.kind == "typed":
                count[change.where] = count.get(change.where, 0) + len(change.value)
        return count

    def last_input(self) -> int:
        """Give the T-state of the last input made, 0 if there was none."""
        return max((change.t for change in self.inputs[:self.player.made]), default=0)

    def last_activity(self) -> int:
        """Give the T-state of the last character shown or input made."""
        return max(self.last_input(), self.console.last_shown())
