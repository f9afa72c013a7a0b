"""Every machine of the zoo is told its cause, and no healthy one is accused."""
from __future__ import annotations

import math
import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import accuracy
import pytest

from emu.backplane.description import load
from emu.diagnosis import explain
from emu.machine.machine import Machine
from emu.run.script import sends_of
from emu.run.session import SILENCE, Session

ROMS = Path(__file__).parent.parent / "roms"
MACHINES = [(kind, name, row) for kind in ("broken", "healthy")
            for name, row in accuracy.machines(ROMS / kind).items()]


@pytest.mark.parametrize(("kind", "name", "row"), MACHINES,
                         ids=[f"{kind}-{name}" for kind, name, _ in MACHINES])
def test_the_verdict(kind: str, name: str, row: dict[str, Any]) -> None:
    session = Session(
        Machine(load(ROMS / kind / f"{name}.toml")), row.get("until"),
        Fraction(row.get("limit", 3)),
        sends_of(tuple(row.get("send", ())), tuple(row.get("after", ())), SILENCE))
    session.run()
    verdict = explain(session, math.inf)  # the same however busy the computer is
    assert accuracy.judge(row, verdict.as_dict()) == accuracy.RIGHT, verdict.lines()
    if verdict.cause:
        assert verdict.evidence
        assert verdict.remedy


def test_every_machine_stands_in_the_list() -> None:
    """A backplane file that is a base of others has no image of its own."""
    for kind in ("broken", "healthy"):
        listed = set(accuracy.machines(ROMS / kind))
        files = {path.stem: tomllib.loads(path.read_text())
                 for path in (ROMS / kind).glob("*.toml")}
        bases = {Path(tree["extends"]).stem for tree in files.values() if "extends" in tree}
        bases |= {Path(tree["extends"]).stem for path in (ROMS / "healthy").glob("*.toml")
                  if "extends" in (tree := tomllib.loads(path.read_text()))}
        assert set(files) - {"expected", "build"} - bases <= listed
