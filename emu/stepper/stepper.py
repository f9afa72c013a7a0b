"""Sit at a machine: run it, step it, stop it, change it; what was done can be undone.

    stepper = Stepper(Machine(load(path)))
    stepper.add(parse("shell_loop", stepper.book))
    event = stepper.go()                 # to a stop, or interrupt() from another thread
    stepper.into(); stepper.over(); stepper.out(); stepper.until(parse('text "tw> "', ...))
    stepper.back(); stepper.back_to_stop(); stepper.last_write(0x8123)
    stepper.change("register", "a", 5)   # an input of the run, so replay stays exact

Runs go in slices of some milliseconds; ``interrupt`` ends one at the next boundary.
"""
from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from emu.bus import stops
from emu.bus.state import FAR, STOP_EXECUTE, STOP_VIRGIN
from emu.bus.waiting import held_until
from emu.errors import InputError
from emu.files.symbol_loading import load_symbols
from emu.isa.disassembler import Instruction, disassemble
from emu.machine.legs import MOST
from emu.machine.machine import Machine
from emu.run.console import Channel, Console, channels
from emu.run.history import History, Hit, hits
from emu.run.inputs import Input, checked
from emu.run.player import Player, Spot
from emu.run.snapshot_shelf import BUDGET
from emu.stepper.expression import Node
from emu.stepper.judge import Judge, tell
from emu.stepper.lookup import Lookup, read_byte
from emu.stepper.program import Walker
from emu.stepper.search import Access, Searcher, mark_untouched
from emu.stepper.stack_words import returns
from emu.stepper.watch import Stop

FIRST_SLICE = 100_000  # T-states
SHORT, LONG = 0.008, 0.03  # seconds of work that a slice should take
APART = 0.025  # seconds of work between snapshots
CALLS = ("call", "branch-call", "restart")
RETURN_WORDS = 8  # stack words in which `out` looks for a return address


@dataclass(frozen=True)
class Event:
    """Why a run ended: ``reason`` step, stop, time, limit, interrupted, beginning, changed."""

    reason: str
    words: str = ""
    stop: Stop | None = None
    hit: Hit | None = None


class Stepper:
    """A machine with its history, its stops and its console.

    ``budget``: bytes for going back.  ``echo`` is called with what a terminal shows, once for
    each new character of the run, not when it is played again.
    """

    def __init__(self, machine: Machine, budget: int = BUDGET,
                 echo: Callable[[str, bytes], None] | None = None,
                 progress: Callable[[str], None] | None = None) -> None:
        self.machine = machine
        self.m = machine.m
        self.history = History(machine, budget)
        self.main: Player = self.history.main
        self.console = Console(machine)
        self.main.after_seek, self.main.after_leg = self.console.rewind, self._take
        self.book = Lookup(machine)
        self.stops: list[Stop] = []
        self.echo = echo
        self._progress = progress
        self._told: dict[str, int] = {}  # characters of each terminal that were echoed
        self._numbers = 0
        self._stopping = threading.Event()
        self.heeding = False  # what is done now ends at `interrupt`
        self.ends: Callable[[], bool] = lambda: False  # asked beside `interrupt`, often
        self.limit_t = FAR  # no run goes on past it
        self._walker: Walker | None = None
        self._effort = 0.0  # seconds of work since power-on
        self._slice = FIRST_SLICE
        self.history_search = Searcher(self.history, lambda: self.interrupted)
        self._written: set[int] = set()  # places known to have been written

    # --- where it is ------------------------------------------------------------------
    @property
    def t(self) -> int:
        """The T-state at which the machine stands."""
        return int(self.m.t)

    @property
    def spot(self) -> Spot:
        """The place in the run."""
        return self.main.spot

    def instruction(self, address: int | None = None) -> Instruction:
        """Decode the instruction at an address, PC's when none is given."""
        at = int(self.m.pc) if address is None else address
        return disassemble(lambda a: read_byte(self.m, a), at, self.book.exact)

    @property
    def spare_book(self) -> Lookup:
        """Names over the machine that plays the past."""
        return self.history_search.book

    def read_symbols(self, path: Path, slot: str = "") -> int:
        """Read a symbol list for a slot's memory, the first with memory; how many names.

        InputError when the file or the slot is not right.
        """
        holding = {s.name: s.number for s in self.machine.slots if int(self.m.mem_size[s.number])}
        if not holding or (slot and slot not in holding):
            raise InputError(f"{path}: {slot or 'no slot'} holds no memory that names could belong "
                             f"to; with memory: {', '.join(holding) or 'none'}.")
        table = load_symbols(path)
        for book in (self.book, self.history_search.book):
            book.add(holding[slot or next(iter(holding))], table)
        return len(table.symbols)

    # --- stops ------------------------------------------------------------------------
    def add(self, stop: Stop) -> Stop:
        """Put a stop in and give it a number; InputError when there is no more room."""
        stops.arm(self.m, [row for s in (*self.stops, stop) for row in s.rows])
        stops.disarm(self.m)
        self._numbers += 1
        stop.number = self._numbers
        self.stops.append(stop)
        return stop

    def remove(self, stop: Stop) -> None:
        """Take a stop out."""
        self.stops.remove(stop)

    # --- running ----------------------------------------------------------------------
    @property
    def interrupted(self) -> bool:
        """Tell whether what was done last was ended by `interrupt`."""
        return self._stopping.is_set() or self.ends()

    def interrupt(self) -> None:
        """End the run under way at its next boundary; from a signal or another thread."""
        self._stopping.set()

    @contextmanager
    def _heeded(self) -> Iterator[None]:
        """Let `interrupt` end what is done here; one that came earlier is not meant."""
        outer = self.heeding
        if not outer:
            self._stopping.clear()
        self.heeding = True
        try:
            yield
        finally:
            self.heeding = outer

    def go(self, t_end: int = FAR, only: Sequence[Stop] = ()) -> Event:
        """Run until a stop is met, T-state ``t_end`` or `interrupt`; ``only``: extra stops."""
        with self._armed(only) as judge:
            return self._slices(t_end, judge, self._lengths())

    @contextmanager
    def _armed(self, only: Sequence[Stop] = ()) -> Iterator[Judge]:
        """Arm the stops for a run that begins here, with what judges what they meet."""
        judge = Judge(self.book, [stop for stop in (*self.stops, *only) if not stop.asleep],
                      self.was_written)
        if any(row.kind == STOP_VIRGIN for row in judge.rows):
            mark_untouched(self.main, self.history)
        stops.arm(self.m, judge.rows)
        self.m.pass_t = self.t
        try:
            with self._heeded():
                yield judge
        finally:
            stops.disarm(self.m)
            self.console.leave_when_shown(False)

    def _lengths(self) -> dict[str, int]:
        """Give how much each terminal has shown."""
        return {name: len(c.text) for name, c in self.console.channels.items()}

    def _slices(self, t_end: int, judge: Judge, starts: dict[str, int]) -> Event:
        run = self._walk(judge) if judge.needs_walker else None
        while not self.interrupted:
            if self.t >= t_end:
                return Event("time", "the time has come")
            if self.t >= self.limit_t:
                limit = float(self.machine.seconds(self.limit_t))
                return Event("limit", f"the limit of {limit:g} s is reached")
            if judge.said:
                self.console.leave_when_shown(True)
            began, start = time.perf_counter(), self.t
            end = min(t_end, self.limit_t, start + self._slice)
            fired = self.main.leg(end, run)
            self._measure(time.perf_counter() - began, self.t - start >= self._slice)
            event = self._met(judge, fired if run else 0, starts)
            self.main.make_due()
            self._keep()
            if event is not None:
                return event
        return Event("interrupted", "interrupted")

    def _walk(self, judge: Judge) -> Callable[[int], int]:
        if self._walker is None:
            self._walker = Walker(self.machine, self._progress)
        self._walker.begin([stop.every for stop in judge.every if stop.every is not None],
                           judge.conditions)
        return self._walker.run

    def _measure(self, spent: float, whole: bool) -> None:
        """Fit the slice to the machine's speed; a leg that ended early tells nothing of it."""
        self._effort += spent
        if spent < SHORT and whole:
            self._slice = min(self._slice * 2, MOST)
        elif spent > LONG and self._slice > 1000:
            self._slice //= 2

    def _met(self, judge: Judge, fired: int, starts: dict[str, int]) -> Event | None:
        """Hold what the run met against the stops; None: go on."""
        found = hits(self.m)
        for hit in found:
            stop = judge.accepts(hit)
            if stop is not None:
                return self._event(judge, stop, hit)
        if any(judge.kind(hit) in (STOP_EXECUTE, STOP_VIRGIN) for hit in found):
            self.m.pass_t = self.t
        for k, stop in enumerate(judge.every):
            if fired >> k & 1 and judge.counts(stop):
                return self._event(judge, stop, None)
        for stop in judge.said:
            for name, channel in self.console.channels.items():
                said = stop.said or channel.text[-1:]  # nothing said: any character
                at = channel.text.find(said, starts[name]) if said else -1
                if at >= 0 and judge.counts(stop):
                    starts[name] = at + 1
                    return self._event(judge, stop, None)
        return None

    def _event(self, judge: Judge, stop: Stop, hit: Hit | None) -> Event:
        if stop.once and stop in self.stops:
            self.stops.remove(stop)
        return Event("stop", tell(self.book, judge, stop, hit), stop, hit)

    def _take(self) -> None:
        """Fetch what the terminals show and echo what is new."""
        self.console.take()
        for name, channel in self.console.channels.items():
            known = self._told.get(name, 0)
            if len(channel.text) > known:
                self._told[name] = len(channel.text)
                if self.echo is not None:
                    self.echo(name, bytes(channel.text[known:]))

    def _keep(self) -> None:
        """Take a snapshot when enough work lies behind the last one."""
        last = self.history.shelf.kept[-1]
        if self._effort - last.effort >= APART and self.spot > Spot(*last.place):
            self.history.shelf.keep(self.machine, self.main.made, self._effort)

    # --- stepping ---------------------------------------------------------------------
    def into(self, count: int = 1) -> Event:
        """Run ``count`` instructions; an interrupt's response is a step of its own."""
        with self._armed() as judge:
            starts = self._lengths()
            for _ in range(count):
                event = self._slices(self.t + 1, judge, starts)
                while event.reason == "time" and (t := held_until(self.m)) < FAR:
                    event = self._slices(t, judge, starts)
                if event.reason != "time":
                    return event
        return Event("step")

    def over(self) -> Event:
        """Run one instruction; a call or a repeated instruction to the one behind it."""
        code = self.instruction()
        repeats = code.data[:1] == b"\xed" and code.data[1] & 0xF4 == 0xB0
        if not (code.flow in CALLS or repeats) or int(self.m.halted):
            return self.into()
        behind = code.address + code.length & 0xFFFF
        return self._to([self._frame_stop(behind, int(self.m.sp))])

    def out(self) -> Event:
        """Run until the routine returns: to a return address that stands on the stack now.

        InputError when none of the next words on the stack looks like one.
        """
        found = returns(self, RETURN_WORDS)
        if not found:
            raise InputError("no return address is found near the top of the stack; use until "
                             "with an address.")
        return self._to([self._frame_stop(back, at + 2 & 0xFFFF) for at, back in found])

    def _frame_stop(self, address: int, sp: int) -> Stop:
        """Make a stop at an address that counts only with this stack pointer."""
        condition = Node("=", (Node("register", name="sp"), Node("number", number=sp)))
        return Stop("", (stops.Row(STOP_EXECUTE, address, address),), condition=condition)

    def _to(self, wanted: Sequence[Stop]) -> Event:
        event = self.go(only=wanted)
        return Event("step") if event.stop in wanted else event

    def until(self, *wanted: Stop) -> Event:
        """Run until one of these stops is met, or one that is armed."""
        return self.go(only=wanted)

    # --- going back -------------------------------------------------------------------
    def jump(self, spot: Spot) -> None:
        """Go to a place of the run that has been lived through."""
        self.history.bring(self.main, spot)

    def back(self, count: int = 1) -> Event:
        """Go ``count`` instructions back."""
        before = self.history.before(self.spot, count)
        self.jump(before or Spot(0, 0))
        if before is None:
            return Event("beginning", "this is power-on; nothing lies before it")
        return Event("step")

    def back_to(self, t: int) -> Event:
        """Go back to the first boundary at or after a T-state; InputError when it lies ahead."""
        if t >= self.t:
            raise InputError(f"T {t} does not lie behind; it is T {self.t} now. Use go or until.")
        self.jump(Spot(max(t, 0), self.main.made))
        return Event("step")

    def back_to_stop(self) -> Event:
        """Go back to the last place where an armed stop would have stopped."""
        armed = [stop for stop in self.stops if not stop.asleep]
        with self._heeded():
            said = self._last_said(armed)
            found = self.history_search.last_stop(armed, self.spot)
        if said is not None and (found is None or said[0] > found[0]):
            found = said
        if self.interrupted:
            return Event("interrupted", "interrupted")
        if found is None:
            self.jump(Spot(0, 0))
            return Event("beginning", "no stop was met before; this is power-on")
        self.jump(found[0])
        return Event("stop", found[1])

    def _last_said(self, armed: Sequence[Stop]) -> tuple[Spot, str] | None:
        """Find where a terminal last showed what a stop waits for, before now."""
        judge = Judge(self.book, armed, self.was_written, counting=False)
        found: tuple[Spot, str] | None = None
        for stop in judge.said:
            for channel in self.console.channels.values():
                end = len(channel.text)
                while (at := self._said_before(channel, stop.said or b"", end)) >= 0:
                    spot = self._shown(channel, at)
                    if spot < self.spot:
                        if found is None or spot > found[0]:
                            found = spot, tell(self.book, judge, stop, None)
                        break
                    end = at
        return found

    @staticmethod
    def _said_before(channel: Channel, said: bytes, end: int) -> int:
        """Give the index of the last character of a text that ends before ``end``, or -1."""
        if not said:
            return end - 1
        at = channel.text.rfind(said, end)
        return at + len(said) - 1 if at >= 0 else -1

    def _shown(self, channel: Channel, at: int) -> Spot:
        """Give the first place at which a terminal has shown its character number ``at``."""
        start = Spot(channel.times[at], self.main.made)
        player = self.history.bring(self.history.spare, start)
        line = next(c.line for c in channels(player.machine) if c.name == channel.name)
        line.shown_limit = at + 1  # leaves as a run forwards does
        while int(line.shown_in) <= at and player.spot < self.spot:
            player.leg(self.t)
            player.make_due(self.main.made)
        line.shown_limit = FAR
        return player.spot

    def undo(self) -> Input | None:
        """Take the last change back: to just before it, and what came behind is forgotten."""
        made = self.main.made - 1
        if made < 0:
            return None
        last = self.history.inputs[made]
        if last.asked >= 0:  # the end of a pulse: to where it began
            made = next(k for k, i in enumerate(self.history.inputs)
                        if (i.t, i.kind, i.where) == (last.asked, last.kind, last.where))
        first = self.history.inputs[made]
        self.jump(Spot(first.t, made))
        self.history.cut(self.spot, first.t - int(first.kind == "line"))
        self._tell_anew()
        return first

    # --- looking back -----------------------------------------------------------------
    def last_write(self, place: int, changing: bool = False) -> Access | None:
        """Find the last write, or change, of a byte in physical memory before now.

        None when there was none since power-on, or `interrupt` ended the search.
        """
        with self._heeded():
            return self.history_search.last_write(place, self.spot, changing)

    def last_cycle(self, rows: Sequence[stops.Row]) -> Access | None:
        """Find the last bus cycle before now that one of these rows covers."""
        with self._heeded():
            return self.history_search.last(rows, self.spot)

    def was_written(self, place: int) -> bool:
        """Tell whether a byte of physical memory was written since power-on."""
        born = self.history.shelf.born(place)
        known = int(self.m.phys[place]) != born or place in self._written
        if not known and self.history_search.last_write(place, self.spot) is not None:
            self._written.add(place)
            return True
        return known

    # --- changing ---------------------------------------------------------------------
    def change(self, kind: str, where: str, value: Any, after: int = 0) -> Input:
        """Make a change now, or ``after`` so many T-states; another future is forgotten.

        Kinds, places and values are those of emu/run/inputs.py; InputError when one of
        them cannot be.
        """
        change = checked(self.machine, Input(
            self.t + after, kind, where, value, self.t if after else -1))
        self.history.cut(self.spot, self.t)
        self.history.inputs.append(change)
        self.history.inputs[self.main.made:] = sorted(
            self.history.inputs[self.main.made:], key=lambda i: i.t)
        self.main.make_due()
        self._tell_anew()
        return change

    def _tell_anew(self) -> None:
        """Echo what the changed run shows, though the old one has been echoed."""
        for name, channel in self.console.channels.items():
            self._told[name] = min(self._told.get(name, 0), len(channel.text))

    def load(self, inputs: Iterable[Input]) -> None:
        """Take the inputs of a run that was saved, to be made as it goes."""
        self.history.cut(self.spot, -1)
        self.history.inputs += sorted(inputs, key=lambda i: i.t)
