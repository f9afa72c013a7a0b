"""A process that sleeps for ever while others live: typed keys go unanswered.

Which byte of memory it waits for is found by changing one at a time in a copy of the machine: a
lock freed, a count raised, a flag set.  What counts is that a key typed then is answered, which it
is not when nothing is changed.
"""
from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from emu.card.cause import BUSY
from emu.chronicle.shadow import STORED
from emu.diagnosis.case import Case
from emu.diagnosis.causes.flags import LOCK_HELD, STUCK_FLAG
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import forked
from emu.diagnosis.evidence.chronicled import chronicle
from emu.diagnosis.trials.forks import shown
from emu.diagnosis.trials.proof import mishaps
from emu.diagnosis.verdict import HUNG, TRIED, Finding
from emu.machine.machine import Machine

MOST = 250  # bytes that are changed
LIVE = 0.3  # seconds before the end: what was written since is no cause of a long sleep
WAIT = 0.12  # seconds that an answer may take
MORE = 2  # characters that make an answer


def unanswered(case: Case) -> Finding | None:
    """Check for a byte of memory that, changed in a fork, lets a typed key be answered."""
    typed = case.session.typed_at()
    story = chronicle(case)
    if not typed or int(story.machine.m.t) < int(case.m.t):
        return None
    channel = next(iter(typed))
    with forked(case.machine) as machine:
        usual = _answers(case, machine, channel)
    for place, address in _candidates(case):
        if case.budget.left() <= 0:
            case.budget.cut = True
            return None
        now = int(case.m.phys[place])
        for value in dict.fromkeys(((now + 1) & 0xFF, (now - 1) & 0xFF, 0, 1, 2)):
            if value != now and _freed(case, channel, place, value, usual):
                return _finding(case, channel, place, address, value)
    return None


def _answers(case: Case, machine: Machine, channel: str, key: bytes = b"\r") -> int:
    """Count the characters that come after a key is typed."""
    before = shown(machine)
    if key:
        case.session.type_now(channel, key)
    machine.run(int(machine.m.t) + machine.at(WAIT))
    return shown(machine) - before


def _freed(case: Case, channel: str, place: int, value: int, usual: int) -> bool:
    with forked(case.machine) as machine:
        well = mishaps(machine)
        machine.m.phys[place] = value
        if _answers(case, machine, channel) < usual + MORE or mishaps(machine) != well:
            return False
        # it is no echo of what stands in a buffer: a second key is answered too
        again = _answers(case, machine, channel)
        idle = _answers(case, machine, channel, b"")
        return again > max(usual, idle) and mishaps(machine) == well


def _candidates(case: Case) -> Iterator[tuple[int, int]]:
    """List places in memory that the program stored to, each with its address now; those that
    were written last come first."""
    record, m = chronicle(case).machine.shadow, case.m
    bases = np.asarray(m.write_base_true)
    where = {int(base): page << 12 for page, base in enumerate(bases) if base >= 0}
    times = np.asarray(record.writer_t)
    stored = np.nonzero((np.asarray(record.byte) & STORED != 0)
                        & (times < int(m.t) - case.machine.at(LIVE)))[0]
    times = times[stored]
    count = 0
    for place in stored[np.argsort(-times)].tolist():
        page = where.get(place & ~0xFFF)
        if page is None:
            continue
        yield place, page | place & 0xFFF
        count += 1
        if count == MOST:
            return


def _finding(case: Case, channel: str, place: int, address: int, value: int) -> Finding:
    record, names = chronicle(case).machine.shadow, case.names
    now, variable = int(case.m.phys[place]), names.data(address)
    who, t = names.at(int(record.writer_pc[place])), int(record.writer_t[place])
    lock = value > now or now > 0x7F
    return Finding(
        LOCK_HELD if lock and value == now + 1 else STUCK_FLAG, HUNG,
        f"the process that serves {channel} sleeps for ever, while others run: it waits for "
        f"{variable}, which holds {now:02X}h.",
        [f"{variable} was written last after {case.time(t)}, by {who}.",
         f"Keys typed at {channel} in a copy of the machine are not answered."],
        [f"Tried: with {value:02X}h in {variable} keys typed at {channel} are answered again.",
         f"See who should have changed {variable} after {who} did: a wake or a release that is "
         f"left out on some path."],
        {"variable": f"{address:04X}", "pc": f"{int(record.writer_pc[place]):04X}"}, TRIED, t)


CHECKS = (Check(unanswered, STUCK_FLAG, (BUSY,), trial=True, others=(LOCK_HELD,)),)
