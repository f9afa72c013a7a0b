"""Every single bad line is found, on a program that the checks have never seen."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from emu.backplane.description import load
from emu.diagnosis.case import Case
from emu.diagnosis.causes.memory_lines import bad_line, dead_ram, guesses, late_data
from emu.diagnosis.evidence.memory_answers import early
from emu.machine.machine import Machine
from emu.run.session import Session

BASE = """
[slot.cpu]
card = "z80-cpu"

[slot.memory]
card = "plain-memory"
image = "image.bin"
"""
# Writes 5 * (H xor L) to 256 places of 8000h-BFFFh, a step apart, and reads them back.
CODE = ("21 00 80 06 00 7C AD 4F 87 87 81 77 11 {0} 19 7C E6 3F F6 80 67 10 ED "
        "21 00 80 06 00 7E 11 {0} 19 7C E6 3F F6 80 67 10 F3 18 D4")


def case_of(tmp_path: Path, *faults: str, step: str = "01 00") -> Case:
    (tmp_path / "image.bin").write_bytes(bytes.fromhex(CODE.format(step)))
    (tmp_path / "m.toml").write_text(BASE)
    session = Session(Machine(load(tmp_path / "m.toml", faults)), None, Fraction(1, 20))
    session.run()
    return Case(session)


def test_sound_lines_are_not_accused(tmp_path: Path) -> None:
    case = case_of(tmp_path)
    assert not early(case).wrong(early(case).expected()).any()
    assert [check(case) for check in (bad_line, dead_ram, late_data)] == [None] * 3


@pytest.mark.parametrize("line", range(8))
@pytest.mark.parametrize("level", [0, 1])
def test_a_stuck_data_line_of_the_ram(tmp_path: Path, line: int, level: int) -> None:
    found = bad_line(case_of(tmp_path, f"data-stuck,line={line},level={level},from=0x8000"))
    assert found is not None
    assert (found.cause.code, found.facts["line"]) == ("data-line", f"D{line}")
    assert f"reads {level} all the time on the RAM's side" in found.summary


@pytest.mark.parametrize("line", range(14))
def test_a_stuck_address_line_of_the_ram(tmp_path: Path, line: int) -> None:
    found = bad_line(case_of(tmp_path, f"address-stuck,line={line},level=0,from=0x8000",
                             step="01 00" if line < 8 else "00 01"))
    assert found is not None
    assert (found.cause.code, found.facts["line"]) == ("address-line", f"A{line}")


@pytest.mark.parametrize(("fault", "line"), [
    ("address-swapped,line=0,with=3,to=0x7FFF", "A0/A3"),
    ("data-swapped,line=1,with=6,to=0x7FFF", "D1/D6"),
])
def test_exchanged_lines_of_the_rom(tmp_path: Path, fault: str, line: str) -> None:
    found = bad_line(case_of(tmp_path, fault))
    assert found is not None
    assert found.facts["line"] == line


def test_dead_ram_and_late_data_are_not_lines(tmp_path: Path) -> None:
    dead = case_of(tmp_path, "ram-dead")
    assert bad_line(dead) is None
    assert dead_ram(dead) is not None
    late = case_of(tmp_path, "slow-memory,access=600,from=0x8000")
    assert bad_line(late) is None
    found = late_data(late)
    assert found is not None
    assert found.facts["slot"] == "slot memory (plain-memory)"


def test_a_guess_is_its_own_inverse_when_lines_are_exchanged() -> None:
    values = np.arange(256)
    for guess in guesses("D", 8):
        bent = guess.lines(values)
        again = guess.lines(bent)
        assert (again == (values if "exchanged" in guess.words else bent)).all()
