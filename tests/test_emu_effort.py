"""What work takes is counted in what machines run, and a piece of work ends at its bound."""
from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.diagnosis import explain
from emu.machine import effort
from emu.machine.effort import Spent, metered
from emu.machine.machine import Machine
from emu.run.session import Session

ROMS = Path(__file__).parent.parent / "roms"
SLEEPERS = ROMS / "broken" / "sleepers" / "sleepers-odd-vector.toml"
MILLION = 1_000_000  # T-states


@pytest.fixture(scope="module")
def session() -> Session:
    out = Session(Machine(load(SLEEPERS)), None, Fraction(1, 10))
    out.run()
    return out


def test_what_runs_is_counted_whatever_the_legs(session: Session) -> None:
    machine = Machine(session.machine.description)
    with metered(math.inf) as outer:
        saved = machine.snapshot()
        with metered(math.inf) as inner:
            machine.run(MILLION)
        machine.run(MILLION * 2)
        machine.restore(saved)
    assert MILLION <= inner.t_states < MILLION + 100
    assert 2 * MILLION <= outer.t_states < 2 * MILLION + 100
    assert outer.instructions > inner.instructions > 0
    assert outer.copied == 2 * (len(saved.head) + len(saved.memory)) and inner.copied == 0
    before = outer.seconds()
    machine.run(3 * MILLION)  # nobody counts any more
    assert outer.seconds() == before


def test_a_run_ends_past_the_limit_between_two_instructions(session: Session) -> None:
    machine = Machine(session.machine.description)
    with pytest.raises(Spent), metered(0.001) as meter:
        machine.run(10**12)
    assert 0.001 < meter.seconds() < 0.05
    machine.run(int(machine.m.t) + 1000)


def test_cards_in_plain_python_hold_work_up_for_so_long(session: Session,
                                                        monkeypatch: pytest.MonkeyPatch) -> None:
    machine = Machine(session.machine.description)
    monkeypatch.setattr(effort, "PATIENCE", 0.0)
    with metered(math.inf):
        machine.run(1000)  # none is fitted
    machine.m.plain[0] = 1  # as if one were
    with pytest.raises(Spent), metered(math.inf):
        machine.run(2000)


@pytest.mark.parametrize("seconds", [0.0001, 0.1])
def test_an_explanation_is_bounded_and_the_same_again(session: Session, seconds: float) -> None:
    before = session.machine.snapshot()
    told = []
    for _ in range(2):
        with metered(math.inf) as meter:
            told.append(explain(session, seconds).as_dict())
        assert meter.seconds() < seconds * 1.7 + 0.05  # a leg and a snapshot more than the bound
    assert told[0] == told[1]
    assert "The explanation ran out of time; not everything was tried." in told[0]["evidence"]
    after = session.machine.snapshot()
    assert (before.memory == after.memory).all() and (before.head == after.head).all()
