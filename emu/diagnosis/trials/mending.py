"""Play a change into a run done again from power-on: does it then go on as it should?

A change acts at an instruction, wherever the run comes by (`Mend`), or on the machine as the power
comes on.  The run has the inputs of the first one, at the same T-states.
"""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from emu.bus import stops
from emu.bus.chain import return_from_interrupt
from emu.bus.memory import refresh_map, remap
from emu.bus.state import AT_TIME, FAR, NOT_MINE, PAGES, ROM, STOP_EXECUTE, STOP_HIT, STOPS
from emu.card.cause import HALTED_OFF, STUCK, WILD
from emu.diagnosis.case import Case
from emu.diagnosis.trials.forks import woken_by_key
from emu.diagnosis.trials.moments import Anew
from emu.diagnosis.trials.proof import mishaps
from emu.diagnosis.trials.whatif import MORE, first_line, readable, text_of
from emu.machine.machine import Machine, Snapshot
from emu.machine.places import place

MOST = 4000  # times that a change acts in one run
A_LINE = 12  # characters
MORE_TIME = 2  # times as long as the run, and a second
LONGEST = 1_000_000_000  # T-states of a run that is done again with a change
LATE = 0.75  # of the run: an exit taken behind it is no single success
LAST_LINES = 2  # ends of lines of what a program says when something is wrong
LOOK = 0.005  # seconds between the looks of a change that acts at times


@dataclass
class Mend:
    """What a change does each time the CPU stands before one of some instructions."""

    words: str  # "with ..."
    at: dict[int, Callable[[Machine], None]] = field(default_factory=dict)
    power_on: Callable[[Machine], None] | None = None
    every: Callable[[Machine], None] | None = None  # each LOOK seconds of the run
    most: int = MOST  # times that it acts in one run


class MendedMachine(Machine):
    """A machine that is changed on its way; ``left`` tells whether it took an exit late."""

    mend: Mend | None = None
    acted = 0
    exits: frozenset[int] = frozenset()
    late = FAR  # from when on exits are looked for
    left = False
    _first: Snapshot | None = None  # as the power came on

    def take(self, mend: Mend, exits: frozenset[int], late: int) -> None:
        """Begin anew with a change, and look from ``late`` on whether an exit is taken."""
        if self._first is None:
            self._first = self.snapshot()
        else:
            self.restore(self._first)
        self.mend, self.exits, self.late, self.acted, self.left = mend, exits, late, 0, False
        if mend.power_on is not None:
            mend.power_on(self)
        self._arm(frozenset())

    def come_by(self, address: int, act: Callable[[Machine], None]) -> None:
        """Let the change act at one more address, from now on."""
        if self.mend is not None and address not in self.mend.at:
            self.mend.at[address] = act
            self._arm(self.exits if int(self.m.t) >= self.late else frozenset())

    def _arm(self, exits: frozenset[int]) -> None:
        mend = self.mend
        places = set(mend.at) if mend is not None and self.acted < mend.most else set()
        rows = [stops.Row(STOP_EXECUTE, a, a) for a in sorted(places | exits)[:STOPS]]
        stops.arm(self.m, rows)

    def run(self, t_stop: int) -> int:
        """See Machine.run; it is left only for reasons that are not the change's."""
        while True:
            early = int(self.m.t) < self.late < t_stop
            stop = self.late if early else t_stop
            if self.mend is not None and self.mend.every is not None:
                stop = min(stop, int(self.m.t) + self.at(LOOK))
                self.mend.every(self)
            reason = super().run(stop)
            if early and int(self.m.t) >= self.late:
                self._arm(self.exits)
                continue
            if reason != STOP_HIT or self.mend is None:
                if stop < t_stop and reason == AT_TIME and int(self.m.t) >= stop:
                    continue
                return reason
            self.m.hit_count, self.m.pass_t = 0, self.m.t
            pc = int(self.m.pc)
            if pc in self.exits and int(self.m.t) >= self.late:
                self.left, self.exits = True, frozenset()
                self._arm(self.exits)
            act = self.mend.at.get(pc)
            if act is not None:
                act(self)
                self.acted += 1
                if self.acted == self.mend.most:
                    self._arm(self.exits)
            if int(self.m.t) >= t_stop:
                return reason


def registers_kept(handler: int, back: int) -> Mend:
    """Give back, at a handler's return, the registers that its entry found."""
    found: dict[int, tuple[Any, Any]] = {}

    def enter(machine: Machine) -> None:
        m = machine.m
        found[int(m.sp)] = (np.array(m.r), np.array(m.alt))

    def leave(machine: Machine) -> None:
        m = machine.m
        kept = found.pop(int(m.sp), None)
        if kept is not None:
            m.r[:], m.alt[:] = kept

    return Mend("with all registers kept through that handler", {handler: enter, back: leave})


def page_map(machine: Machine) -> tuple[Any, ...]:
    """Give the page map as it is now, and the records of the memory cards."""
    m = machine.m
    memories = [machine.slots[int(n)] for n in m.mem_slots[:int(m.mem_count)]]
    return (np.array(m.rclaim), np.array(m.wclaim),
            [(slot.number, slot.state.tobytes()) for slot in memories])


def put_back(machine: Machine, kept: tuple[Any, ...]) -> None:
    """Put a page map back."""
    m = machine.m
    m.rclaim[:], m.wclaim[:], records = kept
    for number, octets in records:
        start = int(m.state_offset[number])
        machine.record.view(np.uint8)[start:start + len(octets)] = np.frombuffer(octets, np.uint8)
    for page in range(PAGES):
        remap(m, page)
    refresh_map(m)


def pages_kept(handler: int, back: int) -> Mend:
    """Put back, at a handler's return, the page map that its entry found."""
    found: dict[int, tuple[Any, ...]] = {}

    def enter(machine: Machine) -> None:
        found[int(machine.m.sp)] = page_map(machine)

    def leave(machine: Machine) -> None:
        kept = found.pop(int(machine.m.sp), None)
        if kept is not None:
            put_back(machine, kept)

    return Mend("with the pages put back by that handler", {handler: enter, back: leave})


def reti_given(back: int) -> Mend:
    """Let the cards see RETI where a handler returns without it."""

    def leave(machine: Machine) -> None:
        with machine.plainly():
            return_from_interrupt(machine.m)
        machine.m.next_event = 0

    return Mend(f"with RETI in place of RET at {back:04X}h", {back: leave})


def interrupts_on(looks: int = 10) -> Mend:
    """Put interrupts on again whenever they have been off for ``looks`` looks in a row."""
    off = [0]

    def look(machine: Machine) -> None:
        m = machine.m
        off[0] = 0 if int(m.iff1) else off[0] + 1
        if off[0] >= looks and not int(m.prefix) and not int(m.ack_bytes):
            m.iff1 = m.iff2 = 1
            m.next_event = 0
            off[0] = 0

    return Mend("with interrupts on again", every=look)


def _undone(machine: Machine, *addresses: int) -> None:
    """Run the instruction under way, and put the bytes at some addresses back."""
    m = machine.m
    before = [(at, int(m.phys[at])) for a in addresses if (at := place(machine, a)) >= 0]
    Machine.run(machine, int(m.t) + 1)
    for at, value in before:
        m.phys[at] = value


def write_undone(pc: int, address: int, word: bool = False) -> Mend:
    """Leave out what an instruction writes to an address, or to the word there."""
    places = (address, address + 1 & 0xFFFF) if word else (address,)
    return Mend(f"with {'the word at ' if word else ''}{address:04X}h left as it was by {pc:04X}h",
                {pc: lambda machine: _undone(machine, *places)})


def writable(start: int, end: int) -> Mend:
    """Let pages that are read only take what is written to them."""

    def power_on(machine: Machine) -> None:
        m = machine.m
        for page in range(start >> 12, (end >> 12) + 1):
            for slot in range(int(m.slots)):
                if int(m.wclaim[slot, page]) in (ROM, NOT_MINE) and int(m.rclaim[slot, page]) >= 0:
                    m.wclaim[slot, page] = m.rclaim[slot, page]
            remap(m, page)
        refresh_map(m)

    return Mend(f"with RAM in place of the read-only memory at {start:04X}h", power_on=power_on)


def zeroed(places: np.ndarray) -> Mend:
    """Have some bytes of physical memory come up as zeros."""
    return replace(refilled(places, 0), words="with that memory cleared before the program starts")


def refilled(places: np.ndarray, value: int) -> Mend:
    """Have some bytes of physical memory come up as a value."""

    def power_on(machine: Machine) -> None:
        machine.m.phys[places] = value

    return Mend(f"with {value:02X}h there at power-on", power_on=power_on)


def exits_of(case: Case) -> frozenset[int]:
    """Give where the foreground would go on, if it hangs in a loop with exits."""
    if case.condition != STUCK:
        return frozenset()
    return frozenset(wait.target for wait in case.progress.waits if wait.target is not None)


def _to_the_end(case: Case, machine: Machine) -> Anew:
    """Do the whole run again on another machine."""
    again = Anew(case, machine, case.session.until)
    again.to(case.end)
    return again


def with_more_time(case: Case) -> str | None:
    """Tell in words which text comes when the same run is given more time, None for no text."""
    t = int(case.m.t)
    if not case.text_wanted or t > LONGEST:
        return None
    again = Anew(case, Machine(case.machine.description, case.machine.seed), case.session.until)
    again.to(t * MORE_TIME + again.machine.at(1))
    return _text_came(case, again)


def helps(case: Case, mend: Mend, otherwise: bool = False) -> str | None:
    """Tell in words how far the changed run came, None when no further than this one.

    With ``otherwise`` also what else it shows.  None, too, where a run has become too long to be
    done again and again.
    """
    done = mended(case, mend)
    if done is None:
        return None
    again, left = done
    far = _how_far(case, again, left)
    return _otherwise(case, again) if far is None and otherwise else far


def finishes(case: Case, mend: Mend) -> str | None:
    """Tell in words when the changed run comes to the text that the whole run is for."""
    done = mended(case, mend)
    return None if done is None else _finished(case, done[0])


def completes(case: Case, mend: Mend) -> str | None:
    """See `finishes`; the text must come behind all that the first run showed, but for one last
    line that said what was wrong, and not before that line: nothing was skipped."""
    done = mended(case, mend)
    words = None if done is None else _finished(case, done[0])
    if done is None or words is None:
        return None
    came = done[0].came()
    for name, channel in case.session.console.channels.items():
        before, shown = bytes(channel.text), bytes(done[0].session.console.channels[name].text)
        same = _same(shown, before)
        if before[same:].count(b"\n") > LAST_LINES or \
                came is not None and same < len(before) and came[1] < channel.times[same]:
            return None
    return words


def in_step(case: Case, mend: Mend) -> str | None:
    """See `finishes`; what the first run showed must come at the same times, since a change that
    makes the terminal slower or faster only moves what else happens; and nothing goes astray that
    did not before."""
    done = mended(case, mend)
    words = None if done is None else _finished(case, done[0])
    if done is None or words is None or any(
            now > before for now, before in zip(mishaps(done[0].machine), mishaps(case.machine),
                                                strict=True)):
        return None
    for name, channel in case.session.console.channels.items():
        now = done[0].session.console.channels[name]
        same = _same(bytes(now.text), bytes(channel.text))
        if channel.times[:same] != now.times[:same]:
            return None
    return words


def _finished(case: Case, again: Anew) -> str | None:
    if not case.text_wanted:
        return _shows_more(case, again)
    wanted = case.session.until is not None
    return _text_came(case, again) if again.session.reached or not wanted else None


def _shows_more(case: Case, again: Anew) -> str | None:
    """Tell what a changed run shows behind all that a dead one showed: a line or more, and it is
    sound."""
    shown, before = text_of(again.session), text_of(case.session)
    new = shown[len(before):]
    if case.condition not in (STUCK, WILD, HALTED_OFF) or not shown.startswith(before) \
            or readable(new) < A_LINE or any(mishaps(again.machine)):
        return None
    return f"it goes on to show {first_line(new)[:60]!r}"


def differs(case: Case, mend: Mend) -> str | None:
    """Tell in words what else the changed run shows, None when it shows the same, or only less."""
    done = mended(case, mend)
    return None if done is None else _otherwise(case, done[0])


def extends(case: Case, mend: Mend) -> str | None:
    """Tell in words what the changed run shows behind all that this one showed, if anything."""
    done = mended(case, mend)
    if done is None:
        return None
    shown, before = text_of(done[0].session), text_of(case.session)
    new = shown[len(before):]
    if not shown.startswith(before) or readable(new) < MORE:
        return None
    return f"it goes on to show {first_line(new)[:60]!r}"


def mended(case: Case, mend: Mend) -> tuple[Anew, bool] | None:
    """Do the run again with a change, and tell whether it left its loop late; None when it is too
    long, or the time is spent."""
    if int(case.m.t) > LONGEST or case.budget.left() <= 0:
        return None
    machine = case.once(_mended_machine)
    machine.take(mend, exits_of(case), int(int(case.m.t) * LATE))
    return _to_the_end(case, machine), machine.left


def _mended_machine(case: Case) -> MendedMachine:
    """Build the machine on which one changed run is made after another."""
    return MendedMachine(case.machine.description, case.machine.seed)


def _otherwise(case: Case, again: Anew) -> str | None:
    shown, before = text_of(again.session), text_of(case.session)
    if shown.startswith(before) or before.startswith(shown):
        return None
    begin = _parting(shown, before)
    if not readable(shown[begin:begin + 80]):
        return None
    return (f"it shows {first_line(shown[begin:])[:60]!r} in place of "
            f"{first_line(before[begin:])[:60]!r}")


def _parting(shown: bytes, before: bytes) -> int:
    """Give where the line begins in which two texts part."""
    return shown.rfind(b"\n", 0, _same(shown, before)) + 1


def _same(one: bytes, other: bytes) -> int:
    """Count the bytes with which two texts begin alike."""
    return next((k for k, (a, b) in enumerate(zip(one, other, strict=False)) if a != b),
                min(len(one), len(other)))


def further(case: Case, machine: Machine) -> str | None:
    """Tell in words how far the same run comes on another machine, None when no further."""
    if int(case.m.t) > LONGEST or case.budget.left() <= 0:
        return None
    return _how_far(case, _to_the_end(case, machine), False)


def _text_came(case: Case, again: Anew) -> str | None:
    came = again.came()
    return None if came is None else f"{came[0]!r} comes after {case.time(came[1])}"


def _how_far(case: Case, again: Anew, left: bool) -> str | None:
    session, machine = again.session, again.machine
    if (came := _text_came(case, again)) is not None:
        return came
    shown, before = text_of(session), text_of(case.session)
    if not case.text_wanted and readable(shown) >= readable(before) + MORE:
        new = shown[_parting(shown, before):]
        return f"it goes on to show {first_line(new)[:60]!r}"
    if case.text_wanted or case.condition not in (STUCK, WILD, HALTED_OFF):
        return None
    if left:
        return f"the foreground leaves {case.loop()} again and again"
    if case.condition == WILD and not any(mishaps(machine)):
        return "it no longer runs wild"
    if int(machine.m.halted) and not int(machine.m.iff1):
        return None
    woken = woken_by_key(machine, session.type_now)
    return "it waits for a key, which wakes it" if woken is not None else None
