"""A short slice of the tools whose figures stand in docs/reliability.md."""
from __future__ import annotations

import random
import signal
from pathlib import Path

import answer_time
import determinism
import kills
import pytest

PROC = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="reads /proc")


@pytest.mark.parametrize("number", range(200, 203))
def test_a_random_machine_runs_the_same_in_every_way(number: int) -> None:
    assert list(determinism.differences(number, number == 200, number == 201)) == []


def test_the_digest_sees_another_seed_and_another_moment() -> None:
    choice = determinism.choose(7)
    machine = determinism.played(choice)
    before = determinism.digest(machine)
    machine.run(4)
    assert len({before, determinism.digest(machine),
                determinism.digest(determinism.played(determinism.choose(8)))}) == 3


@PROC
def test_a_signal_is_answered_and_nothing_is_left(tmp_path: Path) -> None:
    case = next(case for case in answer_time.CASES if "1 ms an access" in case.name)
    answer_time.prepare(tmp_path, [case])
    answer = answer_time.one(case, signal.SIGTERM, 0, tmp_path)
    assert (answer.status, answer.left) == (143, [])


def test_a_killed_write_back_leaves_the_old_file_or_the_new(tmp_path: Path) -> None:
    kills.prepare(tmp_path)
    case = next(case for case in kills.CASES if case.name == "medium import")
    tally = kills.rounds(case, 6, random.Random(1), tmp_path)
    assert tally.between == [] and tally.old + tally.new == 6 and tally.kills > 0
