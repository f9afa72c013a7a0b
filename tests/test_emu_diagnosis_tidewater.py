"""The verdict on Tidewater with one electrical fault: the fault is named, nothing else."""
from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.diagnosis import explain
from emu.diagnosis.verdict import Verdict
from emu.machine.machine import Machine
from emu.run.script import sends_of
from emu.run.session import SILENCE, Session

FULL = Path(__file__).parent.parent / "roms" / "tidewater" / "full.toml"
SLEEP = (r"sleep 1\r",)


def told(fault: str, sends: tuple[str, ...] = (), limit: float = 1) -> Verdict:
    session = Session(Machine(load(FULL, (fault,))), None, Fraction(limit),
                      sends_of(sends, (), SILENCE))
    session.run()
    return explain(session, math.inf)


@pytest.mark.parametrize(("where", "level", "line"), [
    *((",from=0xE000", line % 2, line) for line in range(8)),
    *((",from=0xE000", 1 - line % 2, line) for line in range(8)),
    *((",from=0xE000,to=0xEFFF", line % 2, line) for line in range(8)),
    *((",to=0x3FFF", 1 - line % 2, line) for line in range(8)),
    ("", 0, 2), ("", 1, 5), (",from=0xF000", 0, 7)])
def test_each_data_line_at_each_level(where: str, level: int, line: int) -> None:
    verdict = told(f"data-stuck,line={line},level={level}{where}")
    assert verdict.cause == "data-line", verdict.lines()
    assert verdict.facts["line"] == f"D{line}"
    assert f"reads {level} all the time" in verdict.summary


def test_a_line_that_is_bad_where_nothing_stands_is_not_accused() -> None:
    """Windows 3 to 6 are RAM that the kernel does not use."""
    assert told("data-stuck,line=3,level=0,from=0xC000,to=0xDFFF").verdict == "waiting-for-input"


@pytest.mark.parametrize("sends", [(), SLEEP])
@pytest.mark.parametrize(("fault", "cause"), [
    ("chain-reversed,slot=ctc", "chain-open"), ("chain-reversed,slot=sio", "chain-open"),
    ("int-open,slot=ctc", "int-open"), ("int-open,slot=sio", "int-open"),
    ("int-low", "int-low"), ("reti-unseen", "unseen-reti"),
    ("vector-blocked", "blocked-vector"),
])
def test_faults_on_the_way_of_an_interrupt(fault: str, cause: str,
                                           sends: tuple[str, ...]) -> None:
    verdict = told(fault, sends, 3)
    assert (verdict.verdict, verdict.cause) == ("hung", cause), verdict.lines()


def test_exchanged_pins_are_not_called_an_empty_slot() -> None:
    verdict = told("chain-reversed,slot=sio")
    assert "no slot above it is empty" in verdict.summary
    assert "IEO of ctc" in verdict.remedy[0]
