"""The catalogue of causes, the table of ways to fail, and `preburn causes`."""
from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any

import accuracy
import docs_tables

from emu.backplane.fault_kinds import KINDS
from emu.diagnosis.cause_catalogue import all_causes
from emu.diagnosis.failure_modes import ENTRIES, FAULT, UNSEEN

CAUSES = all_causes()
ROMS = Path(__file__).parent.parent / "roms"


def expected(kind: str) -> dict[str, dict[str, Any]]:
    return accuracy.machines(ROMS / kind)


def test_the_docs_are_made_from_the_declarations() -> None:
    assert docs_tables.main(["--check"]) == 0


def test_codes_are_one_of_a_kind() -> None:
    codes = [cause.code for cause in CAUSES]
    assert len(set(codes)) == len(codes)
    entries = [entry.code for entry in ENTRIES]
    assert len(set(entries)) == len(entries)


def test_causes_name_entries_that_exist() -> None:
    known = {entry.code for entry in ENTRIES}
    for cause in CAUSES:
        assert set(cause.entries) <= known, cause.code


def test_what_can_be_shown_has_a_cause_and_what_cannot_has_a_reason() -> None:
    covered = {code for cause in CAUSES for code in cause.entries}
    for entry in ENTRIES:
        if entry.how == UNSEEN:
            assert entry.by and entry.code not in covered
        else:
            assert entry.code in covered, entry.code


def test_faults_of_the_table_exist() -> None:
    for entry in ENTRIES:
        if entry.how == FAULT:
            assert {name.strip() for name in entry.by.split(",")} <= set(KINDS)


def test_every_cause_has_a_broken_machine() -> None:
    """At least 40 machines over at least 30 causes; each cause has one."""
    named = {row["cause"] for row in expected("broken").values() if "cause" in row}
    assert {cause.code for cause in CAUSES} <= named
    assert len(named) >= 30
    assert sum("cause" in row for row in expected("broken").values()) >= 40


def test_no_healthy_machine_has_a_cause() -> None:
    healthy = expected("healthy")
    assert len(healthy) >= 12
    assert not any("cause" in row for row in healthy.values())


def test_the_command_lists_and_explains(preburn: Callable[..., CompletedProcess[str]]) -> None:
    listed = preburn("causes")
    assert listed.returncode == 0
    assert len(listed.stdout.splitlines()) == len(CAUSES)
    page = preburn("causes", "dead-ram")
    assert page.stdout.startswith("RAM that does not answer\n")
    assert "remedy: Check the supply" in page.stdout
    facts = json.loads(preburn("causes", "dead-ram", "--json").stdout)["dead-ram"]
    assert facts["entries"] == {"W1": "RAM without supply, or dead"}


def test_an_unknown_code_gives_one_line(preburn: Callable[..., CompletedProcess[str]]) -> None:
    done = preburn("causes", "dead-rom")
    assert done.returncode == 2
    assert done.stderr == "preburn: there is no cause 'dead-rom'; did you mean 'dead-ram'?\n"
