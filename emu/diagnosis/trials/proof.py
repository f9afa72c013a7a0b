"""Prove what is missing: set it in a forked copy, and see whether the machine goes on.

Going on means that the foreground takes an exit of its loop that it never takes when left
alone (where the loop has none: that it runs code which it did not run), without going
astray: no FFh executed, nothing read where no memory stands, nothing written to ROM.
"""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from emu.bus import stops
from emu.bus.state import STOP_HIT, STOP_READ
from emu.card.roles import DATA
from emu.diagnosis.conditions import Budget
from emu.diagnosis.evidence.bus_window import decode, forked, windows
from emu.diagnosis.evidence.depth import Depth
from emu.diagnosis.evidence.trace import steps
from emu.diagnosis.trials.forks import interrupt
from emu.diagnosis.trials.progress import Progress, run_on, stop_at
from emu.machine.machine import Machine
from emu.run.session import Session

TICK = 0.01  # seconds between the interrupts of a trial
TICKS = 400  # so many at most
STORM = 100  # interrupts on one request that are no answer to it
AFTER = 0.004  # seconds looked at after an exit was taken
KEY_COMES = 0.004  # seconds in which a typed character has arrived
ASTRAY = frozenset((0x0000,))  # it starts over: nobody wakes there

Change = Callable[[Machine], bool]  # changes a fork; False when it cannot be done


@dataclass(frozen=True)
class Outcome:
    """How a trial went on."""

    t: int  # T-states until the exit was taken
    target: int  # where the foreground went on
    ticks: int = 0  # handler calls it took
    resumed: tuple[int, ...] = ()  # return addresses that it then took, innermost first


@dataclass(frozen=True)
class Profile:
    """One call of a handler in a fork."""

    returned: bool
    writes: frozenset[int]  # memory, but for the stack
    ports: frozenset[tuple[int, bool]] = frozenset()  # low byte, True: written

    def serial_data(self, machine: Machine) -> tuple[bool, bool]:
        """Tell whether it reads, and writes, the data register of a card with a terminal."""
        found = set()
        for port, written in self.ports:
            slot = int(machine.m.port_slot[port])
            if slot >= 0 and machine.slots[slot].card.channels:
                card = machine.slots[slot].card
                if card.has_kind(card.registers[int(machine.m.port_reg[port])], DATA):
                    found.add(written)
        return False in found, True in found


def mishaps(machine: Machine) -> tuple[int, ...]:
    """Count what only a program gone astray does."""
    m = machine.m
    return int(m.rst38_count), int(m.empty_reads), int(m.empty_writes), int(m.rom_writes)


class Prover:
    """Trials on one hanging machine."""

    def __init__(self, machine: Machine, progress: Progress, known: set[int],
                 budget: Budget) -> None:
        """``known``: code that runs while nothing goes on, besides the loop's region."""
        self.machine = machine
        self._budget = budget
        self.targets = [w.target for w in progress.waits if w.target is not None]
        self._known = progress.region | known

    def goes_on(self, change: Change, seconds: float = 1.0) -> Outcome | None:
        """Make a change and let the fork run; what came of it, None when it still hangs."""
        machine = self.machine
        with forked(machine):
            before = mishaps(machine)
            start = int(machine.m.t)
            if not change(machine):
                return None
            self._listen()
            return self._watch(start, before, machine.at(seconds), 0)

    def ticking(self, handler: int, also: Change | None = None,
                ticks: int = TICKS) -> Outcome | None:
        """Call a handler every 10 ms as a card would; the call that lets the fork go on."""
        return self.repeated(lambda m: interrupt(m, handler), also, ticks)

    def repeated(self, act: Change, also: Change | None = None,
                 ticks: int = TICKS, every: float = TICK) -> Outcome | None:
        """Do something every 10 ms, with another change made first, until the fork goes on."""
        machine = self.machine
        with forked(machine):
            before = mishaps(machine)
            start = int(machine.m.t)
            if also is not None and not also(machine):
                return None
            self._listen()
            for tick in range(1, ticks + 1):
                taken = int(machine.m.ack_count)
                if not act(machine):
                    return None
                done = self._watch(start, before, machine.at(every), tick)
                if done is not None:
                    return done
                if int(machine.m.ack_count) - taken > STORM:
                    return None  # a source that its handler cannot quiet
                if mishaps(machine) != before or self._budget.left() <= 0:
                    return None
        return None

    def _listen(self) -> None:
        if self.targets:
            stop_at(self.machine, self.targets)

    def _watch(self, start: int, before: tuple[int, ...], t_states: int,
               tick: int) -> Outcome | None:
        """Run on until an exit is taken; None when none is, or the fork goes astray."""
        machine = self.machine
        if not self.targets:
            return self._new_code(start, before, t_states, tick)
        if not run_on(machine, int(machine.m.t) + t_states):
            return None
        target = self.targets[int(machine.m.hits[0, 0])]
        took = int(machine.m.t) - start
        _watch_nothing(machine)
        fresh, resumed = self._afterwards(machine.at(AFTER), -1)
        if not fresh or tick and fresh & ASTRAY or mishaps(machine) != before:
            return None
        return Outcome(took, target, tick, resumed)

    def _new_code(self, start: int, before: tuple[int, ...], t_states: int,
                  tick: int) -> Outcome | None:
        machine = self.machine
        fresh, resumed = self._afterwards(t_states, int(machine.m.sp) if tick else -1)
        if not fresh or tick and fresh & ASTRAY or mishaps(machine) != before:
            return None
        return Outcome(int(machine.m.t) - start, min(fresh), tick, resumed)

    def _afterwards(self, t_states: int, open_low: int) -> tuple[set[int], tuple[int, ...]]:
        """Give the foreground's new code, and the return addresses that it takes there."""
        fresh: set[int] = set()
        resumed: list[int] = []
        for window in windows(self.machine, t_states, open_low):
            fresh |= window.executed(False) - self._known
            if len(resumed) < 4:
                resumed += window.returned(self._known)
        return fresh, tuple(resumed[:4])

    def profile(self, handler: int, also: Change | None = None,
                within: float = TICK / 2) -> Profile:
        """Call a handler once in a fork: does it return, and what does it write?"""
        machine = self.machine
        with forked(machine):
            if also is not None and not also(machine):
                return Profile(False, frozenset())
            before = mishaps(machine)
            if not interrupt(machine, handler):
                return Profile(False, frozenset())
            m = machine.m
            low = int(m.sp)
            stops.arm(m, [stops.Row(STOP_READ, low, low)])
            machine.log(True)
            end = int(m.t) + machine.at(within)
            reason = machine.run(end)
            while reason != STOP_HIT and int(m.t) < end:
                reason = machine.run(end)
            window = decode(machine, Depth([low]))
            _watch_nothing(machine)
            run = [s for s in steps(window) if s.handler]
            back = reason == STOP_HIT or not window.depth.all()  # or on another process's stack
            data = {a for s in run if "SP" not in s.effect.pointer for a, _ in s.writes}
            ports = {(s.port[0] & 0xFF, any(t == "O" for t, _ in s.effect.moves))
                     for s in run if s.port is not None}
            strays = any(s.pc in ASTRAY and s.pc != (handler or -1) for s in run)
            return Profile(back and not strays and mishaps(machine) == before,
                           frozenset(data), frozenset(ports))


def _watch_nothing(machine: Machine) -> None:
    stops.disarm(machine.m)
    machine.log(False)


def both(*changes: Change) -> Change:
    """Join several changes to one."""
    return lambda machine: all(change(machine) for change in changes)


def typed(session: Session, channel: str) -> Change:
    """Make a change that types a character and lets it arrive."""

    def change(machine: Machine) -> bool:
        session.type_now(channel, b"x")
        machine.run(int(machine.m.t) + machine.at(KEY_COMES))
        return True

    return change
