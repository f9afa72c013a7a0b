"""Verify a run against a record, and say where and how it differs."""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

from emu.backplane.description import Description
from emu.diagnosis import explain
from emu.diagnosis.verdict import Verdict
from emu.errors import InputError
from emu.knowngood import hold
from emu.knowngood.hold import Aspect, Tolerance
from emu.knowngood.parting import Parting, Side, Stretch, part, stretch
from emu.knowngood.record import Tree, images_table, machine_table, made_with, media_table
from emu.knowngood.rerun import checkpoints, rerun
from emu.run.done_again import Run
from emu.run.session import Session


@dataclass
class Report:
    """What a verification found."""

    path: Path  # of the backplane file
    good: Path  # of the record
    hz: Fraction
    aspects: list[Aspect]
    notes: list[str]  # what is known to be different beforehand
    verdict: Verdict
    parting: Parting | None = None
    interval: tuple[int, int, int] | None = None  # see hold.interval
    stretch: Stretch | None = None
    fresh: Tree = field(default_factory=dict)  # the record of this run

    @property
    def same(self) -> bool:
        """Whether the run is as recorded, in the aspects asked for."""
        return not any(a.differences for a in self.aspects)

    def as_dict(self) -> dict[str, Any]:
        """Give it as JSON takes it."""
        out: dict[str, Any] = {
            "same": self.same, "record": str(self.good), "machine": str(self.path),
            "aspects": {a.name: a.differences for a in self.aspects}, "notes": self.notes,
            "verdict": self.verdict.as_dict()}
        if self.parting is not None:
            out["first_difference"] = {
                "t": self.parting.t, "good": self.parting.left.as_dict(),
                "here": self.parting.right.as_dict()}
        if self.interval is not None:
            out["interval"] = {"same_t": self.interval[0], "same_cycles": self.interval[1],
                               "other_cycles": self.interval[2]}
            if self.stretch is not None:
                out["interval"]["here"] = self.stretch.as_dict()
        return out

    def lines(self) -> list[str]:
        """Give it as text; the first line is the answer."""
        checked = ", ".join(a.name for a in self.aspects)
        if self.same:
            return [f"same: {self.path} runs as {self.good} says ({checked}).",
                    *(f"note: {note}" for note in self.notes)]
        differing = [a for a in self.aspects if a.differences]
        out = [f"differs: {self.path} does not run as {self.good} says: "
               f"{', '.join(a.name for a in differing)} (of {checked})."]
        out += [f"note: {note}" for note in self.notes]
        for aspect in differing:
            out.append(f"{aspect.name}:")
            out += [f"  - {row}" for row in aspect.differences]
        if self.parting is not None:
            out += parting_lines(self.parting, self.hz, "good", "here")
        elif self.interval is not None:
            out += self._interval_lines()
        return out + self.verdict.lines()

    def _interval_lines(self) -> list[str]:
        assert self.interval is not None
        same_t, same, other = self.interval
        end = f"cycle {other:,}" if other >= 0 else "the end"
        out = [f"first difference: between bus cycle {same:,} (T {same_t}, "
               f"{float(same_t / self.hz):.6f} s) and {end}; --good FILE shows it to the cycle."]
        if self.stretch is not None:
            out += [f"  from {self.stretch.first}", f"  to   {self.stretch.last}"]
            if self.stretch.functions:
                out.append(f"  code run: {_some(self.stretch.functions)}")
            if self.stretch.ports:
                out.append(f"  ports: {_some(self.stretch.ports)}")
        return out


def _some(names: list[str], most: int = 12) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if names[most:] else "")


def parting_lines(found: Parting, hz: Fraction, left: str, right: str) -> list[str]:
    """Write the first differing bus cycle of two runs, both sides."""
    out = [f"first difference: T-state {found.t} ({float(found.t / hz):.6f} s):"]
    out += _side_lines(left, found.left) + _side_lines(right, found.right)
    return out


def _side_lines(name: str, side: Side) -> list[str]:
    out = [f"  {name}: {side.cycle}" + (f", in {side.place}" if side.place else "")]
    return out + [f"    {line}" for line in side.lines]


def _file_notes(what: str, good: Tree, ours: Tree) -> list[str]:
    out = []
    for slot in [*good, *(s for s in ours if s not in good)]:
        was, now = good.get(slot), ours.get(slot)
        if was is None or now is None:
            out.append(f"slot {slot}: {was['file'] if was else f'no {what}'} recorded, "
                       f"{now['file'] if now else f'no {what}'} now.")
        elif was["sha256"] != now["sha256"]:
            out.append(f"slot {slot}: another {what}: {was['file']} with SHA-256 "
                       f"{was['sha256'][:16]}... recorded, {now['file']} with "
                       f"{now['sha256'][:16]}... now.")
    return out


def _notes(good: Tree, description: Description, seed: int) -> list[str]:
    """Say what differs before anything is run: versions, images, cards, settings."""
    out = []
    if good["preburn"] != made_with():
        out.append(f"recorded with preburn {good['preburn']}, run with {made_with()}.")
    out += _file_notes("image", good["images"], images_table(description))
    out += _file_notes("medium", good["media"], media_table(description))
    machine = machine_table(description, seed)
    for row in hold.values("", {**good["machine"], "name": ""}, {**machine, "name": ""}):
        out.append(f"another machine: {row}.")
    return out


def verify(description: Description, good: Tree, path: Path, aspects: tuple[str, ...],
           allowed: Tolerance, reference: Description | None = None,
           progress: Callable[[str], None] | None = None,
           run: Callable[[Session], None] = Session.run) -> Report:
    """Run a machine as a record was made and hold it against the record.

    ``reference`` is the recorded machine with the good image, when it is at hand; ``run`` runs
    the session.
    """
    session, fresh = rerun(description, good, path, progress, run)
    verdict = explain(session)
    fresh["end"]["verdict"] = verdict.verdict
    hz = description.cpu_hz
    if "bus" in aspects:
        allowed = hold.EXACT
    found = Report(description.path, path, hz, hold.hold(good, fresh, aspects, hz, allowed),
                   _notes(good, description, good["machine"]["seed"]), verdict, fresh=fresh)
    where = hold.interval(good["bus"], fresh["bus"])
    if not found.same and where is not None:
        _locate(found, good, where, session.so_far(), reference, run)
    return found


def _locate(found: Report, good: Tree, where: tuple[int, int, int], ours: Run,
            reference: Description | None, run: Callable[[Session], None]) -> None:
    """Find the first bus cycle that differs, or say what was done where it lies."""
    found.interval = where
    same_t = where[0]
    if reference is not None:
        session, again = rerun(reference, good, found.good, None, run)
        if again["bus"]["digest"] != good["bus"]["digest"]:
            raise InputError(f"{found.good}: the good image on {reference.path} no longer does "
                             f"what was recorded with preburn {good['preburn']}; record it again.")
        found.parting = part(session.so_far(), ours, same_t)
        return
    rows = good["bus"]["checkpoints"]
    if rows:
        # a longer run drops checkpoints: note those of the record
        finer = {**found.fresh["bus"],
                 "checkpoints": checkpoints(ours, rows[0][0], good["end"]["t"])}
        found.interval = hold.interval(good["bus"], finer) or where
        same_t = found.interval[0]
        rows = [row for row in finer["checkpoints"] if row[0] == found.interval[2]]
    found.stretch = stretch(ours, same_t, rows[0][1] if rows else ours.end)
