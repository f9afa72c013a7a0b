"""A process that sleeps for ever while others live: typed keys go unanswered.

Who sleeps is told by the stacks, and what it looked at before by the run; what it waits for is
found by changing that in a copy of the machine: a lock freed, a count raised, a state set to
ready.  What counts is that keys typed then are answered, which they are not when nothing is
changed.
"""
from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations, product

from emu.bus import stops
from emu.bus.state import STOP_EXECUTE, STOP_HIT
from emu.card.cause import BUSY, STUCK
from emu.diagnosis.case import Case
from emu.diagnosis.causes.flags import LOCK_HELD, STUCK_FLAG
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import forked
from emu.diagnosis.evidence.chronicled import chronicle
from emu.diagnosis.evidence.parked import Parked, chain_words, parked, slept_on
from emu.diagnosis.evidence.touched import slot_of, touched
from emu.diagnosis.trials.forks import shown
from emu.diagnosis.trials.proof import mishaps
from emu.diagnosis.verdict import HUNG, TRIED, Finding
from emu.machine.machine import Machine
from emu.machine.places import places
from emu.run.console import channels

PAIRED = 10  # places of one sleep of which two are changed together
TRIALS = 900  # changes of one explanation
PATIENCE = 12  # seconds in which a process may wake by itself
SAME = 0.002  # seconds before its sleep in which a process writes its own state
NEAR = 64  # bytes around the wait in which a lock is taken
WAIT = 0.12  # seconds that an answer may take
MORE = 1  # characters more than without the change: runs differ in nothing else
Change = tuple[tuple[int, int], ...]  # (place in phys, byte), one or two


def unanswered(case: Case) -> Finding | None:
    """Check for a sleeping process that, woken in a fork, answers typed keys."""
    channel = _reader(case)
    if channel is None or int(chronicle(case).machine.m.t) < int(case.m.t):
        return None
    with forked(case.machine) as machine:
        usual, _ = _answers(case, machine, channel, WAIT)
    trials = 0
    for one in parked(case):
        if _wakes_later(case, channel, one):
            continue
        for change in _changes(case, slept_on(case, one)):
            trials += 1
            if case.budget.left() <= 0 or trials > TRIALS:
                case.budget.cut = True
                return None
            if _freed(case, channel, one, change, usual):
                return _finding(case, channel, one, change)
    return None


def _reader(case: Case) -> str | None:
    """Name the channel at which keys were typed, or else one whose data the program has read."""
    typed = case.session.typed_at()
    if typed:
        return next(iter(typed))
    for channel in channels(case.machine):
        if touched(case, *slot_of(case, channel.name), False):
            return channel.name
    return None


def _wakes_later(case: Case, channel: str, one: Parked) -> bool:
    """Tell whether a process gets behind its wait by itself, in its own good time."""
    with forked(case.machine) as machine:
        return _answers(case, machine, channel, PATIENCE, one.behind)[1]


def _changes(case: Case, places: list[int]) -> Iterator[Change]:
    """List changes of one byte, then of two."""
    values = {}
    for place in places:
        now = int(case.m.phys[place])
        values[place] = [v for v in dict.fromkeys(
            ((now + 1) & 0xFF, (now - 1) & 0xFF, 0, 1)) if v != now]
    for place in places:
        yield from (((place, value),) for value in values[place])
    for one, other in combinations(places[:PAIRED], 2):
        for first, second in product(values[one], values[other]):
            yield (one, first), (other, second)


def _answers(case: Case, machine: Machine, channel: str, seconds: float,
             behind: int = -1) -> tuple[int, bool]:
    """Type a key; count the characters that come, and tell whether an address was executed."""
    before, end = shown(machine), int(machine.m.t) + machine.at(seconds)
    case.session.type_now(channel, b"\r")
    if behind >= 0:
        stops.arm(machine.m, [stops.Row(STOP_EXECUTE, behind, behind)])
    passed = False
    while int(machine.m.t) < end:
        if machine.run(end) == STOP_HIT:
            passed = True
            stops.disarm(machine.m)
            if seconds > WAIT:
                break
    stops.disarm(machine.m)
    return shown(machine) - before, passed


def _freed(case: Case, channel: str, one: Parked, change: Change, usual: int) -> bool:
    """Tell whether the process gets behind its wait, and more is shown than without the change."""
    with forked(case.machine) as machine:
        well = mishaps(machine)
        for place, value in change:
            machine.m.phys[place] = value
        more, passed = _answers(case, machine, channel, WAIT, one.behind)
        return passed and more >= usual + MORE and mishaps(machine) == well


def _finding(case: Case, channel: str, one: Parked, change: Change) -> Finding:
    record, names, m = chronicle(case).machine.shadow, case.names, case.m
    where = {int(at): address for address, at in enumerate(places(case.machine)) if at >= 0}
    words, lines, facts = [], [], []
    for place, value in change:
        address = where.get(place, place & 0xFFF)
        variable = names.data(address)
        words.append(f"{value:02X}h in {variable}")
        lines.append(f"{variable} holds {int(m.phys[place]):02X}h, written last after "
                     f"{case.time(int(record.writer_t[place]))} by "
                     f"{names.at(int(record.writer_pc[place]))}.")
        facts.append(f"{address:04X}")
    taken = any(int(record.writer_t[place]) < one.since - case.machine.at(SAME)
                and abs(int(record.writer_pc[place]) - one.calls[0]) <= NEAR
                for place, _ in change)  # by what its own next instructions do: it takes a lock
    return Finding(
        LOCK_HELD if taken else STUCK_FLAG, HUNG,
        f"keys typed at {channel} are not answered: the process that serves them sleeps "
        f"{chain_words(case, one)}, while others run.",
        [*lines, *[f"Another one sleeps {chain_words(case, other)}." for other in parked(case)
                   if other != one][:3]],
        [f"Tried: with {' and '.join(words)} keys typed at {channel} are answered again.",
         "See who should have woken it, or released what it waits for, and on which path that is "
         "left out."],
        {"variables": facts}, TRIED, one.since)


CHECKS = (Check(unanswered, STUCK_FLAG, (BUSY, STUCK), trial=True, others=(LOCK_HELD,)),)
