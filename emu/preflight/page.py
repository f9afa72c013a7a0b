"""The preflight page: every check in turn, then go or no-go."""
from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from emu.diagnosis import Verdict
from emu.diagnosis.names import Names
from emu.diagnosis.verdict import REACHED, WAITING
from emu.knowngood import recordfile
from emu.knowngood.hold import EXACT, STRICT
from emu.knowngood.report import verify
from emu.knowngood.rerun import run_of
from emu.machine import Machine
from emu.preflight import rom, timing
from emu.preflight.item import GO, NO_GO, NOTE, Item
from emu.preflight.measure import Measures, measure, regions, room_below
from emu.session import Session
from emu.wiring import ERROR, WARNING, check

TIGHT, FULL = 32, 8  # bytes below a stack that are noted, and that are too few


def items(session: Session, verdict: Verdict, record: Path | None,
          grades: dict[str, float]) -> list[Item]:
    """Make all checks of a session that has ended; see the module's text."""
    machine = session.machine
    found = measure(machine.description, run_of(session))
    return [*_wiring(machine), *rom.checks(machine.description), _boot(verdict),
            *_record(machine, record), *_vectors(machine, found), *_stacks(machine, found),
            *timing.access(machine, grades), *timing.interrupts(machine, found),
            *timing.cards(machine, found),
            *(Item(NOTE, "risk", risk) for risk in verdict.risks)]


def _wiring(machine: Machine) -> Iterator[Item]:
    findings = check(machine.description)
    for finding in findings:
        level = NO_GO if finding.level == ERROR else NOTE
        if finding.level in (ERROR, WARNING):
            yield Item(level, "wiring", f"{finding.code}: {finding.text} {finding.remedy}")
    if not any(f.level in (ERROR, WARNING) for f in findings):
        yield Item(GO, "wiring", "nothing to object to.")


def _boot(verdict: Verdict) -> Item:
    good = verdict.verdict in (REACHED, WAITING)
    words = f"{verdict.verdict}{f', cause {verdict.cause}' if verdict.cause else ''}: " \
            f"{verdict.summary}"
    return Item(GO if good else NO_GO, "boot", " ".join([words, *verdict.remedy[:1 - good]]))


def _record(machine: Machine, record: Path | None) -> Iterator[Item]:
    if record is None:
        return
    found = verify(machine.description, recordfile.read(record), record, STRICT, EXACT)
    lines = found.lines()
    yield Item(GO if found.same else NO_GO, "record", " ".join(lines[:1 if found.same else 3]))


def _vectors(machine: Machine, found: Measures) -> Iterator[Item]:
    """Mode 2: even vectors, tables that lie where they are looked for."""
    names = Names(machine)
    if found.floating_vectors:
        yield Item(NO_GO, "vectors", f"{found.floating_vectors} acknowledges in mode 2 that no "
                   f"card answered: the bus's FFh was taken for a vector.")
    odd = sorted({(i, v) for i, v in found.vectors if v & 1})
    for i, vector in odd:
        yield Item(NO_GO, "vectors", f"vector {vector:02X}h is odd: the handler's address is "
                   f"read from {i << 8 | vector:04X}h, across two entries of the table.")
    even = sorted(set(found.vectors) - set(odd))
    if even:
        tables = sorted({i << 8 for i, _ in even})
        yield Item(GO, "vectors", f"mode 2, {', '.join(f'{v:02X}h' for _, v in even)}; the table "
                   f"lies at {', '.join(names.data(t) for t in tables)}.")


def _stacks(machine: Machine, found: Measures) -> Iterator[Item]:
    names = Names(machine)
    writable = np.repeat(np.asarray(machine.m.wb_true) >= 0, 4096)
    for low, end in regions(found):
        room = room_below(found, low, writable)
        level = NO_GO if room < FULL else NOTE if room < TIGHT else GO
        shown = f"{room}" if room < 1024 else "more than 1024"
        yield Item(level, "stack", f"{end - low} bytes from {low:04X}h to {end - 1:04X}h "
                   f"({names.data(low)}); {shown} unused bytes below it.")


def verdict_line(found: list[Item]) -> str:
    """Give the first line: go, or no-go and how many reasons."""
    against = sum(item.level == NO_GO for item in found)
    notes = sum(item.level == NOTE for item in found)
    if against:
        return f"no-go: {against} reason{'s' * (against > 1)} against burning it."
    return f"go: nothing speaks against burning it{f'; {notes} notes to read' if notes else ''}."
