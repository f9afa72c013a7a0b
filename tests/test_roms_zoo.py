"""Every machine of the zoo is told its cause, and no healthy one is accused."""
from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path
from typing import Any

import accuracy
import pytest
from click import ClickException

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
        Machine(load(ROMS / kind / row["family"] / f"{name}.toml")), row.get("until"),
        Fraction(row.get("limit", 3)),
        sends_of(tuple(row.get("send", ())), tuple(row.get("after", ())), SILENCE))
    session.run()
    verdict = explain(session, math.inf)  # the same however busy the computer is
    assert accuracy.judge(row, verdict.as_dict()) == accuracy.RIGHT, verdict.lines()
    if verdict.cause:
        assert verdict.evidence
        assert verdict.remedy


def test_every_machine_stands_in_the_list_of_its_folder() -> None:
    """The backplane files in common/ are bases of others: they need no image of their own."""
    for kind in ("broken", "healthy"):
        listed = {(row["family"], name) for name, row in accuracy.machines(ROMS / kind).items()}
        files = {(path.parent.name, path.stem) for path in (ROMS / kind).glob("*/*.toml")
                 if path.stem not in ("build", "expected") and path.parent.name != "common"}
        assert files == listed


def test_a_verdict_without_its_decisive_facts_is_wrong() -> None:
    row = {"cause": "no-tick", "facts": {"port": "28"}, "evidence": ["ticks"],
           "remedy": ["base 28h"]}
    told: dict[str, Any] = {
        "verdict": "hung", "cause": "no-tick", "summary": "", "facts": {"port": "28"},
        "evidence": ["ticks stays"], "remedy": ["Fit a timer at base 28h."]}
    assert accuracy.judge(row, told) == accuracy.RIGHT
    for key, other in (("facts", {"port": "30"}), ("evidence", ["tocks"]), ("remedy", ["30h"])):
        assert accuracy.judge(row, {**told, key: other}) == accuracy.WRONG
        assert len(accuracy.missing(row, {**told, key: other})) == 1


def test_an_expectation_with_an_unknown_key_is_refused(tmp_path: Path) -> None:
    (tmp_path / "family").mkdir()
    (tmp_path / "family" / "expected.toml").write_text('[one]\ncuase = "no-tick"\n')
    with pytest.raises(ClickException, match=r"\[one\]: cuase"):
        accuracy.machines(tmp_path)
