"""Measure one mutant, or one healthy program: make it, boot it, judge what it is told."""
from __future__ import annotations

import tempfile
import threading
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from mutants import build, labels
from mutants.boots import Boot, boot, keys
from mutants.judge import HARMLESS, accused, judge, same_behaviour
from mutants.kernel import Kernel
from mutants.model import Mutant

LONGER = 3  # a harmless mutant shows this many times the limit what the healthy one shows
SHORTER = 0.97  # what the healthy program shows meanwhile, a shifted clock may add or cost
PROBE = ("--send", "\\r")  # a key more at the end, so that a deaf receiver shows
BROKEN, UNBUILDABLE, REFUSED = "broken", "unbuildable", "refused"


@dataclass(frozen=True)
class HealthyRun:
    """A way to boot a healthy program: share of its limit, whether its keys are typed, options."""

    name: str
    times: float = 1.0
    typed: bool = True
    options: tuple[str, ...] = ()


HEALTHY_RUNS = (
    HealthyRun("seed 1", options=("--seed", "1")), HealthyRun("seed 2", options=("--seed", "2")),
    HealthyRun("seed 3", options=("--seed", "3")), HealthyRun("30 % of the time", 0.3),
    HealthyRun("60 % of the time", 0.6), HealthyRun("no key", typed=False),
    HealthyRun("a key more", options=PROBE), HealthyRun("three times the time", 3.0),
)


@dataclass
class Baselines:
    """What the healthy programs show, made once a program, whoever asks first."""

    known: dict[tuple[str, float], Boot] = field(default_factory=dict)
    locks: defaultdict[tuple[str, float], threading.Lock] = field(
        default_factory=lambda: defaultdict(threading.Lock))

    def of(self, kernel: Kernel, times: float) -> Boot:
        """Boot the healthy program for `times` its limit (with the probing key when longer)."""
        key = (kernel.name, times)
        with self.locks[key]:
            if key not in self.known:
                with tempfile.TemporaryDirectory(prefix="preburn-mutant-") as folder:
                    made = build.make(kernel, None, Path(folder))
                    self.known[key] = _boot(kernel, made.files[build.BARE], times)
            return self.known[key]

    def slack(self, kernel: Kernel) -> int:
        """Count the characters that come in the last of the limit, twice; 0: all is said."""
        early, whole = (self.of(kernel, times).told.get("console", {}) for times in (SHORTER, 1))
        return 2 * sum(len(whole[key]) - len(early.get(key, "")) for key in whole)


def _boot(kernel: Kernel, machine: Path, times: float) -> Boot:
    options = keys(kernel.about, kernel.folder)
    if times > 1 and "script" not in kernel.about:
        options += PROBE
    return boot(machine, kernel.limit * times, options)


def of_mutant(kernel: Kernel, mutant: Mutant, baselines: Baselines) -> list[dict[str, Any]]:
    """Give the one row of one mutant: its truth, and by kind of image class, cause and cost."""
    row: dict[str, Any] = {"id": mutant.id, "kernel": kernel.name, "half": kernel.half,
                           "operator": mutant.operator, "kind": mutant.kind, "runs": {}}
    with tempfile.TemporaryDirectory(prefix="preburn-mutant-") as folder:
        try:
            made = build.make(kernel, mutant, Path(folder))
        except build.Unbuildable as error:
            return [{**row, "truth": UNBUILDABLE, "why": str(error).strip()[-300:]}]
        boots = {kind: _boot(kernel, path, 1) for kind, path in made.files.items()}
        if refusals := [b.refused for b in boots.values() if b.refused]:
            return [{**row, "truth": REFUSED, "why": refusals[0]}]
        row["truth"] = HARMLESS if _harmless(kernel, boots, made, baselines) else BROKEN
    codes = labels.codes(mutant)
    for kind, run in boots.items():
        told = judge(run.told, codes, mutant.names, mutant.hints, made.symbols)
        row["runs"][kind] = {
            "class": HARMLESS if row["truth"] == HARMLESS else told,
            "accused": accused(run.told) if run.told else False,
            "cause": run.told.get("cause"), "verdict": run.told.get("verdict", "timed-out"),
            "processor_seconds": run.seconds, "t_states": run.told.get("t_states", 0),
            "timed_out": run.timed_out,
        }
    return [row]


def _harmless(kernel: Kernel, boots: dict[str, Boot], made: build.Machines,
              baselines: Baselines) -> bool:
    """Tell whether the mutant does what the healthy program does, for three times the limit."""
    healthy, slack = baselines.of(kernel, 1).told, baselines.slack(kernel)
    if not all(run.told and same_behaviour(run.told, healthy, slack) for run in boots.values()):
        return False
    long = _boot(kernel, made.files[build.BARE], LONGER)
    return bool(long.told) and same_behaviour(long.told, baselines.of(kernel, LONGER).told,
                                              LONGER * slack)


def of_healthy(kernel: Kernel, name: str) -> list[dict[str, Any]]:
    """Boot a healthy program one way, with and without symbols: a row each, accused or not."""
    way = next(run for run in HEALTHY_RUNS if run.name == name)
    if way.options == PROBE and "script" in kernel.about:
        return []  # its script says all that is typed
    typing = keys(kernel.about, kernel.folder) if way.typed else []
    rows = []
    with tempfile.TemporaryDirectory(prefix="preburn-mutant-") as folder:
        made = build.make(kernel, None, Path(folder))
        for kind, machine in made.files.items():
            run = boot(machine, kernel.limit * way.times, [*typing, *way.options])
            shown = "".join(run.told.get("console", {}).values())
            rows.append({
                "id": f"{kernel.name}/healthy/{name}/{kind}", "kernel": kernel.name,
                "half": kernel.half, "image": kind, "run": name,
                "accused": accused(run.told), "cause": run.told.get("cause"),
                "verdict": run.told.get("verdict", "timed-out" if run.timed_out else "refused"),
                "came": kernel.about["until"] in shown if way.times >= 1 and way.typed else None,
                "processor_seconds": run.seconds, "t_states": run.told.get("t_states", 0),
            })
    return rows
