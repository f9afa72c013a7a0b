"""Tell going on from going round: does the foreground ever leave its loop, left alone?

The loop's exits are known (emu/diagnosis/evidence/waits.py).  A fork runs on, far beyond the limit,
until one is taken.  If none is, and no exit depends on a value that every round changes, or
the whole state comes back, the machine hangs: a delay, a memory test or a decompression
changes such values, or takes its exit in the end.
"""
from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from emu.bus import stops
from emu.bus.state import FAR, NOBODY, OUT, STOP_FETCH, STOP_HIT, STOPS, WRITE
from emu.diagnosis.evidence.bus_window import Window, forked, windows
from emu.diagnosis.evidence.threads import pollers
from emu.diagnosis.evidence.trace import Step, steps
from emu.diagnosis.evidence.waits import Wait, exits
from emu.diagnosis.trials.forks import (
    Activity,
    activity,
    memory_digest,
    physical,
    read_word,
    registers,
    shown,
)
from emu.machine.machine import Machine

FAR_AHEAD = 60  # emulated seconds that a fork is run on for
QUIET = 12  # seconds of them when no interrupt is taken
MOST = 6_000_000  # instructions that it may take
TIGHT = 8  # instruction bytes of a loop that is all there is
A_ROUND = 1.2  # seconds that a round with a delay in it may take
MOST_AT_CARD = 60_000_000  # that a minute may take
STRETCH = 0.06  # seconds of the log in which exits are looked for
SECONDS = 2.5  # of several processes' doings that are taken together
MOST_STEPS = 16_000  # of them that are looked at
PIECES = 16  # parts of the log in which they are
AFTER = 40  # cycles that end the instruction behind a branch
MEDIUM_STEP, MEDIUM_STEPS = 0.05, 30  # seconds, and how many of them, in which a medium moves on
ROUND = 12  # emulated seconds that a round may take
HITS = 48  # passages of one place that are compared


@dataclass
class Progress:
    """How the foreground goes on when it is left alone."""

    stuck: bool
    region: set[int]  # where it goes round
    waits: list[Wait] = field(default_factory=list)
    leaves_t: int | None = None  # T-state at which a fork left the region
    leaves_to: int | None = None
    counts: bool = False  # its state keeps changing
    works: bool = False  # no exit, but interrupts may come, or it writes to memory or ports


def stop_at(machine: Machine, addresses: list[int]) -> None:
    """Let run() stop at fetches from some addresses, as many as there is room for."""
    stops.arm(machine.m, [stops.Row(STOP_FETCH, a, a) for a in addresses[:STOPS]])


def run_on(machine: Machine, end: int, instructions: int = MOST) -> bool:
    """Run until a stop is hit; False when the time or the instructions are spent."""
    m = machine.m
    last = int(m.instructions) + instructions
    step = machine.at(0.25)
    while int(m.t) < end and int(m.instructions) < last:
        if machine.run(min(int(m.t) + step, end)) == STOP_HIT:
            return True
    return False


def leaves(machine: Machine, targets: list[int],
           at_card: bool = False) -> tuple[int, int] | None:
    """Run a fork on; the T-state and address at which it first comes to a target.

    ``at_card``: the loop looks at a fitted card, so a clock's minute is waited for.
    """
    if not targets:
        return None
    with forked(machine):
        m = machine.m
        if int(m.halted) and min(int(m.event_t[k]) for k in range(int(m.slots))) >= FAR:
            return None  # nothing will ever happen
        before = int(m.ack_count)
        stop_at(machine, targets)
        if not run_on(machine, int(m.t) + machine.at(QUIET)) and (
                int(m.ack_count) == before and not at_card
                or not run_on(machine, int(m.t) + machine.at(FAR_AHEAD),
                              MOST_AT_CARD if at_card else MOST)):
            return None
        row, t = machine.m.hits[0, :2].tolist()
        return t, targets[row]


def recurs(machine: Machine, anchor: int, skip: list[int], horizon: float) -> bool:
    """Tell whether the state is twice the same at an address: then it goes round for ever.

    The state is registers and memory, without the places in ``skip``.
    """
    with forked(machine):
        seen: set[Any] = set()
        stop_at(machine, [anchor])
        end = int(machine.m.t) + machine.at(horizon)
        for _ in range(HITS):
            if not run_on(machine, end):
                return False
            state = (registers(machine), memory_digest(machine, skip))
            if state in seen:
                return True
            seen.add(state)
    return False


def moves_on(machine: Machine) -> bool:
    """Tell whether a card comes to places of its medium where a fork has not been before.

    It still does so in the second half of the fork, or the program has something to show
    after it.  A driver that tries one sector again and again stays where it is.
    """
    cards = [slot for slot in machine.slots
             if slot.card.place(machine.m, slot.state) is not None]
    if not cards:
        return False

    def places() -> set[object]:
        return {(slot.number, slot.card.place(machine.m, slot.state)) for slot in cards}

    seen, before, half = places(), shown(machine), 0
    with forked(machine):
        for step in range(MEDIUM_STEPS):
            run_on(machine, int(machine.m.t) + machine.at(MEDIUM_STEP))
            half += bool(places() - seen) and step >= MEDIUM_STEPS // 2
            seen |= places()
        return half > 0 or (len(seen) > len(cards) and shown(machine) > before)


def speaks(machine: Machine) -> bool:
    """Tell whether the terminals show anything more in as long as a round may take."""
    before = shown(machine)
    with forked(machine):
        run_on(machine, int(machine.m.t) + machine.at(ROUND))
        return shown(machine) > before


def judge(machine: Machine, control: Activity, idle: set[int]) -> Progress:
    """Say whether the foreground gets anywhere.

    ``control``: what it does left alone; ``idle``: the code that a HALT runs when woken.
    """
    found = _judged(machine, control, idle)
    if found.stuck and speaks(machine):
        return replace(found, stuck=False, counts=True)
    return found


def _judged(machine: Machine, control: Activity, idle: set[int]) -> Progress:
    region = control.code | idle
    if control.shown or moves_on(machine):
        return Progress(False, region, counts=True)
    halted = bool(int(machine.m.halted)) and not control.code
    found = gather(machine, region, woken=halted)
    if not found and len(region) > TIGHT and not _works(machine):
        # a delay may have hidden the rest of the round
        found = gather(machine, region, machine.at(A_ROUND), woken=halted)
    targets = [w.target for w in found if w.target is not None]
    at_card = any(NOBODY < load.driver <= int(machine.m.slots)
                  for wait in found for load in wait.ports())
    left = leaves(machine, targets, at_card)
    if left is not None:
        return _after_leaving(machine, region, found, left)
    return _staying(machine, control, region, found, halted)


def _staying(machine: Machine, control: Activity, region: set[int], found: list[Wait],
             halted: bool) -> Progress:
    """Judge a fork that has not left its region."""
    if not found:
        return Progress(True, region, works=bool(int(machine.m.iff1)) or _works(machine))
    counting = any(w.counting for w in found) and not halted
    if not counting:
        return Progress(True, region, found)
    anchor = _anchor(machine, region)
    stuck = anchor is not None and recurs(
        machine, anchor, physical(machine, control.handler_writes), 2)
    if not stuck:
        vain = _vain_looks(machine, found)
        if vain:
            return Progress(True, region, vain)
    return Progress(stuck, region, found, counts=not stuck)


def _vain_looks(machine: Machine, found: list[Wait]) -> list[Wait]:
    """Find processes that look in vain while others go on."""
    run: list[Step] = []
    with forked(machine):
        for window in windows(machine, machine.at(SECONDS)):
            run += steps(window)
            if len(run) > MOST_STEPS:
                break
    return pollers(run, found)


def _works(machine: Machine) -> bool:
    """Tell whether a loop without exits does something: writes to memory or to a port."""
    with forked(machine):
        for window in windows(machine, machine.at(STRETCH)):
            if ((window.kind == WRITE) | (window.kind == OUT)).any():
                return True
    return False


def _after_leaving(machine: Machine, region: set[int], found: list[Wait],
                   left: tuple[int, int]) -> Progress:
    """Judge a fork that has left its loop: is that the part of a longer round?"""
    t, target = left
    if any(w.handlers for w in found if w.target == target):
        return _with_the_ticks(machine, region, found, left)
    if not recurs(machine, target, [], ROUND):
        return Progress(False, region, found, t, target)
    with forked(machine):
        stop_at(machine, [target])
        start = int(machine.m.t)
        run_on(machine, start + machine.at(ROUND))
        run_on(machine, start + machine.at(ROUND))
        period = int(machine.m.t) - t
    with forked(machine):
        wide: set[int] = set()
        for window in windows(machine, min(period + machine.at(0.02), machine.at(4))):
            wide |= window.executed(False)
    return Progress(True, region | wide, gather(machine, region | wide, period))


def _with_the_ticks(machine: Machine, region: set[int], found: list[Wait],
                    left: tuple[int, int]) -> Progress:
    """Judge a fork that a handler lets go on: is it all there is, for seconds on end?"""
    goes_on = Progress(False, region, found, *left)
    with forked(machine):
        wide = region | activity(machine, machine.at(SECONDS)).code
    waits = gather(machine, wide, machine.at(SECONDS))
    if leaves(machine, [w.target for w in waits if w.target is not None]) is not None:
        return goes_on
    vain = _vain_looks(machine, waits)
    return Progress(True, wide, vain) if vain else goes_on


def gather(machine: Machine, region: set[int], period: int = 0,
           woken: bool = False) -> list[Wait]:
    """Find the exits of a region over some stretches of the log, each branch once."""
    found: dict[int, Wait] = {}
    inside: set[int] = set()
    length = machine.at(STRETCH)
    with forked(machine):
        if woken:
            machine.m.halted = 0
        seen: set[int] = set()
        pieces = 0
        for window in windows(machine, max(length, period)):
            met = window.branches()
            while pieces < PIECES and (new := met.keys() - seen):
                pieces += 1
                waits, looked = exits(window.up_to(max(met[pc] for pc in new) + AFTER), region)
                for wait in waits:
                    found.setdefault(wait.pc, wait)
                seen |= looked | {max(new, key=lambda pc: met[pc])}
            inside |= both_ways(window)
    waits = [w for pc, w in found.items() if pc not in inside]
    for wait in waits:
        if wait.target is None:
            wait.target = _return_address(machine, wait.pc)
    return [w for w in waits if w.target is None or w.target not in region]


def _return_address(machine: Machine, pc: int) -> int | None:
    """Find where a conditional return that is never taken would go."""
    with forked(machine):
        machine.m.halted = 0
        stop_at(machine, [pc])
        if not run_on(machine, int(machine.m.t) + machine.at(1)):
            return None
        return read_word(machine, int(machine.m.sp))


def both_ways(window: Window) -> set[int]:
    """Give the addresses whose instruction was followed by two others or more."""
    starts = window.starts()
    outside = starts[~window.depth[starts]]
    if len(outside) < 2:
        return set()
    near = (outside[1:] - outside[:-1]) < 24  # nothing but the instruction between them
    pairs = (window.address[outside[:-1]][near] << 16) | window.address[outside[1:]][near]
    first, counts = np.unique(np.unique(pairs) >> 16, return_counts=True)
    return set(first[counts > 1].tolist())


def _anchor(machine: Machine, region: set[int]) -> int | None:
    """Find the address that the foreground executes most often."""
    counts: dict[int, int] = {}
    with forked(machine):
        for window in windows(machine, machine.at(0.05)):
            starts = window.starts()
            outside = starts[~window.depth[starts]]
            found, often = np.unique(window.address[outside], return_counts=True)
            for address, times in zip(found.tolist(), often.tolist(), strict=True):
                counts[address] = counts.get(address, 0) + times
    return max(counts, key=lambda a: counts[a]) if counts else None
