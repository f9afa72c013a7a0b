"""The preflight page: every check in turn, then go or no-go."""
from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from emu.backplane.finding import ERROR, WARNING
from emu.backplane.wiring_check import check
from emu.diagnosis import Verdict
from emu.diagnosis.verdict import RUNNING
from emu.knowngood import recordfile
from emu.knowngood.hold import EXACT, STRICT
from emu.knowngood.report import verify
from emu.machine.address_names import Names
from emu.machine.machine import Machine
from emu.preflight import rom, timing
from emu.preflight.item import GO, NO_GO, NOTE, Item
from emu.preflight.measure import Measures, measure, regions, room_below
from emu.run.session import Session

TIGHT, FULL = 32, 8  # bytes below a stack that are noted, and that are too few


def before_boot(machine: Machine) -> Iterator[Item]:
    """Make the checks that need no run."""
    yield from _wiring(machine)
    yield from rom.checks(machine.description)


def stopped(session: Session) -> Item:
    """Say how far a boot came that was broken off."""
    said = session.console.last_line().strip()
    return Item(NO_GO, "boot", f"stopped after {session.machine.stands()}: not known"
                + (f"; the console's last line is {said!r}." if said else "."))


def after_boot(session: Session, verdict: Verdict, record: Path | None, grades: dict[str, float],
               run: Callable[[Session], None] = Session.run) -> Iterator[Item]:
    """Make the checks of a session that has ended, one by one; ``run`` runs that of a record."""
    machine = session.machine
    yield _boot(session, verdict)
    yield from _record(machine, record, run)
    found = measure(session.so_far())
    yield from _part(machine, found)
    yield from _vectors(machine, found)
    yield from _stacks(machine, found)
    yield from timing.access(machine, grades)
    yield from timing.interrupts(machine, found)
    yield from timing.cards(machine, found)
    yield from (Item(NOTE, "risk", risk) for risk in verdict.risks)


def _wiring(machine: Machine) -> Iterator[Item]:
    findings = check(machine.description)
    for finding in findings:
        level = NO_GO if finding.level == ERROR else NOTE
        if finding.level in (ERROR, WARNING):
            yield Item(level, "wiring", f"{finding.code}: {finding.text} {finding.remedy}")
    if not any(f.level in (ERROR, WARNING) for f in findings):
        yield Item(GO, "wiring", "nothing to object to.")


def _boot(session: Session, verdict: Verdict) -> Item:
    """Hold the verdict against what was asked for: a text, or each text of a script."""
    missed = session.missed
    words = f"{verdict.verdict}{f', cause {verdict.cause}' if verdict.cause else ''}: " \
            f"{verdict.summary}"
    if not verdict.exit_status(session.until is not None or missed is not None):
        return Item(GO, "boot", words)
    missing = []
    if missed is not None:
        missing = [f"{missed.place}: the text {missed.text.decode('latin-1')!r} did not come."]
    elif session.until is not None:
        missing = [f"The text {session.until!r} did not come."]
    mend = verdict.remedy[:1]
    if verdict.verdict == RUNNING and not mend and not missing:
        mend = ["Say with --until what it shows once it has booted."]
    return Item(NO_GO, "boot", " ".join([words, *missing, *mend]))


def _record(machine: Machine, record: Path | None,
            run: Callable[[Session], None]) -> Iterator[Item]:
    if record is None:
        return
    found = verify(machine.description, recordfile.read(record), record, STRICT, EXACT, run=run)
    lines = found.lines()
    yield Item(GO if found.same else NO_GO, "record", " ".join(lines[:1 if found.same else 3]))


def _vectors(machine: Machine, found: Measures) -> Iterator[Item]:
    """Mode 2: even vectors, tables that lie where they are looked for."""
    names = Names(machine)
    if found.floating_vectors:
        count = found.floating_vectors
        yield Item(NO_GO, "vectors", f"{count} acknowledge{'s' * (count > 1)} in mode 2 that no "
                   f"card answered: what floats on the bus was taken for a vector. Poll the card "
                   f"that asked, or set up what gives its vector.")
    odd = sorted({(i, v) for i, v in found.vectors if v & 1})
    for i, vector in odd:
        yield Item(NO_GO, "vectors", f"vector {vector:02X}h is odd: the handler's address is "
                   f"read from {i << 8 | vector:04X}h, across two entries of the table.")
    inside = False
    for (i, vector), handler in sorted(found.vectors.items()):
        name = names.symbol(handler)
        if (i, vector) in odd or name is None or "+" not in name:
            continue
        inside = True
        yield Item(NOTE, "vectors", f"vector {vector:02X}h leads to {handler:04X}h, {name}, which "
                   f"is not where a name stands: does the table lie at {i << 8 | vector:04X}h, "
                   f"aligned as the chips count?")
    if set(found.vectors) - set(odd) and not inside:
        rows = [f"{vector:02X}h (pointer at {i << 8 | vector:04X}h) to {names.at(handler)}"
                for (i, vector), handler in sorted(found.vectors.items()) if not vector & 1]
        yield Item(GO, "vectors", f"mode 2: {'; '.join(rows)}.")


def _stacks(machine: Machine, found: Measures) -> Iterator[Item]:
    names = Names(machine)
    writable = np.repeat(np.asarray(machine.m.write_base_true) >= 0, 4096)
    for low, end in regions(found):
        room = min(room_below(found, low, writable), _below_name(machine, names, low))
        level = NO_GO if room < FULL else NOTE if room < TIGHT else GO
        shown = f"{room}" if room < 1024 else "more than 1024"
        yield Item(level, "stack", f"{end - low} bytes from {low:04X}h to {end - 1:04X}h"
                   f"{_named(names, low)}; {shown} unused bytes below it.")


def _below_name(machine: Machine, names: Names, address: int) -> int:
    """Count the bytes from the start of what the symbols name at an address up to it."""
    slot, place = names.physical(address)
    for number, described in enumerate(machine.description.slots):
        for image in described.images.values():
            symbol = image.symbols.symbol_at(address, place if number == slot else None)
            if symbol is not None:
                return address - symbol.value
    return address


def _named(names: Names, address: int) -> str:
    name = names.symbol(address)
    return f" ({name})" if name else ""


def _part(machine: Machine, found: Measures) -> Iterator[Item]:
    """Say so when only the start of a long run was measured."""
    if found.end < found.ran:
        yield Item(NOTE, "measured", f"vectors, stacks and times of interrupts are those of the "
                   f"first {float(machine.seconds(found.end)):.3g} s of "
                   f"{float(machine.seconds(found.ran)):.3g} s; --until or --limit makes the run "
                   f"shorter.")


def verdict_line(found: list[Item]) -> str:
    """Give the first line: go, or no-go and how many reasons."""
    against = sum(item.level == NO_GO for item in found)
    notes = sum(item.level == NOTE for item in found)
    if against:
        return f"no-go: {against} reason{'s' * (against > 1)} against burning it."
    return f"go: nothing speaks against burning it{_to_read(notes)}."


def _to_read(notes: int) -> str:
    return f"; {notes} note{'s' * (notes > 1)} to read" if notes else ""
