"""One machine of a sweep: what is needed to run it anywhere, and what came of it."""
from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

from emu.backplane.description import Description, describe, load_tree
from emu.diagnosis import explain
from emu.errors import InputError
from emu.knowngood.record import images_table, machine_table, made_with, media_table
from emu.knowngood.variants import changed
from emu.machine.machine import Machine
from emu.run.script import Step
from emu.run.session import Session
from emu.sweep.axes import CARD_AXES, Axis, Variant, product

GOOD = ("reached", "waiting-for-input")
NOT_RUN = "not-run"


@dataclass(frozen=True)
class Asked:
    """What every machine of a sweep is asked to do."""

    until: str | None
    limit: Fraction
    steps: tuple[Step, ...]


@dataclass(frozen=True)
class Job:
    """One machine to run.

    ``description`` travels along where the files do not; else it is read from ``path``.
    """

    number: int
    path: Path
    variant: Variant
    asked: Asked
    key: str  # the same for the same machine, images, and questions
    description: Description | None = field(default=None, repr=False)
    problem: str = ""  # why this machine cannot be built


def described(tree: Mapping[str, Any], path: Path, variant: Variant) -> Description:
    """Describe a variant of the tree of a backplane file; InputError when it cannot be."""
    return describe(changed(tree, variant.changes), path, variant.faults)


def make_job(number: int, tree: Mapping[str, Any], path: Path, variant: Variant, asked: Asked,
             whole: bool = False) -> Job:
    """Check a variant and make its job; ``whole``: with all that its files hold."""
    description = described(tree, path, variant)
    seed = description.seed if variant.seed is None else variant.seed
    facts = [made_with(), machine_table(description, seed), images_table(description),
             media_table(description), asked.until, str(asked.limit),
             [[s.kind, s.text.decode("latin-1"), str(s.seconds)] for s in asked.steps]]
    key = hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()[:24]
    return Job(number, path, variant, asked, key, description if whole else None)


def make_jobs(tree: Mapping[str, Any], path: Path, axes: Sequence[Axis], asked: Asked,
              first: int = 1, whole: bool = False) -> list[Job]:
    """Make the jobs of the axes' product, numbered from ``first``.

    A value that does not fit by itself is the user's mistake: InputError.  What only does
    not go together, such as a fault of a card that is taken out, is told in the table.
    """
    usual = tuple(axis.choices[0] for axis in axes)
    out = []
    for number, (picked, variant) in enumerate(product(axes), first):
        try:
            out.append(make_job(number, tree, path, variant, asked, whole))
        except InputError as error:
            others = [k for k, choice in enumerate(picked) if choice is not usual[k]]
            if len(others) < 2 and not any(axes[k].name in CARD_AXES for k in others):
                raise
            out.append(Job(number, path, variant, asked, "", problem=str(error)))
    return out


_one = threading.Lock()  # a worker may have several threads; loading machine code wants one


def run_job(job: Job) -> dict[str, Any]:
    """Run one machine; what came of it, the same wherever and whenever it is run."""
    description = job.description
    if description is None:
        description = described(load_tree(job.path), job.path, job.variant)
    try:
        with _one:
            found = _run(description, job)
    except InputError as error:
        found = not_run(str(error))
    return {"key": job.key, **found}


def not_run(why: str) -> dict[str, Any]:
    """Give the result of a machine that cannot be built, or not be typed at."""
    return {"boots": False, "verdict": NOT_RUN, "cause": None, "summary": why, "t_states": 0,
            "seconds": 0.0, "where": ""}


def _run(description: Description, job: Job) -> dict[str, Any]:

    machine = Machine(description, job.variant.seed)
    session = Session(machine, job.asked.until, job.asked.limit, list(job.asked.steps))
    session.run()
    if session.interrupted:
        raise KeyboardInterrupt
    verdict = explain(session)
    unmet = session.failed_step is not None or any(s.kind == "expect" for s in session.steps)
    boots = verdict.exit_status(job.asked.until is not None) == 0 and not unmet
    t = session.reached_t if session.reached else verdict.t_states
    return {
        "boots": boots, "verdict": verdict.verdict, "cause": verdict.cause,
        "summary": verdict.summary, "t_states": t, "seconds": round(float(machine.seconds(t)), 9),
        "where": verdict.where,
    }
