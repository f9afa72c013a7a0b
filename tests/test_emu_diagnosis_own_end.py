"""A program that stops itself and says why, told from one that is stopped."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.diagnosis.case import Case
from emu.diagnosis.evidence.own_end import stops_with_message
from emu.machine.machine import Machine
from emu.run.session import Session

BROKEN = Path(__file__).parent.parent / "roms" / "broken"


@pytest.mark.parametrize(("name", "by_itself"), [
    ("moments/torn-clock", True),  # shows a line, then DI and HALT
    ("slips/two-sums-no-ix", True),  # the same, and no card was ever to interrupt
    ("waits/masked-halt", False),  # has shown nothing
    ("moments/wheels", False),  # shows a line and takes keys
])
def test_a_program_that_stops_with_a_message(name: str, by_itself: bool) -> None:
    session = Session(Machine(load(BROKEN / f"{name}.toml")), limit=Fraction(1))
    session.run()
    assert stops_with_message(Case(session)) == by_itself
