"""A run that is proved to change nothing any more is ended early; any other runs on."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.diagnosis import explain
from emu.diagnosis.closed import closed
from emu.machine.machine import Machine
from emu.run.script import sends_of
from emu.run.session import Session
from emu.run.silent import Silent

ROMS = Path(__file__).parent.parent / "roms"
FLAT = ROMS / "selftest" / "flat.toml"
CTC = '[slot.ctc]\ncard = "z80-ctc"\nbase = 0x28\n'
# ld a,0A5h / out (28h),a / ld a,16 / out (28h),a: a timer that ticks, interrupts on
TICKS = "3EA5 D328 3E10 D328"
DOG = '[slot.dog]\ncard = "watchdog"\ntimeout = 9000\n'


def run(folder: Path, code: str, cards: str = "", limit: int = 6) -> Session:
    """Run machine code at 0100h on a flat machine."""
    (folder / "code.bin").write_bytes(bytes.fromhex(code))
    (folder / "code.toml").write_text(
        f'extends = "{FLAT}"\n[slot.memory]\nram-load.program = "code.bin@0x100"\n{cards}')
    session = Session(Machine(load(folder / "code.toml")), limit=Fraction(limit),
                      over=Silent(closed))
    session.run()
    return session


@pytest.mark.parametrize(("code", "cards", "why"), [
    ("F3 76", "", "the CPU stands in HALT"),
    ("FB 76", "", "no card will do anything"),
    ("F3 18FE", "", "the CPU goes round in the same state"),
    (f"F3 {TICKS} 76", CTC, "interrupts are off and no card pulls NMI or RESET"),
    (f"F3 {TICKS} 18FE", CTC, "interrupts are off"),
    ("F3 DB77 E601 20FA", "", "goes round"),  # in a,(77h) / and 1 / jr nz: nobody stands there
    ("F3 AF 320002 3A0002 B7 28FA", "", "goes round"),  # ld a,(0200h) / or a / jr z
    ("F3 E5 E1 18FC", "", "goes round"),  # push hl / pop hl: memory comes out the same
])
def test_what_nothing_can_change_is_ended(tmp_path: Path, code: str, cards: str, why: str) -> None:
    session = run(tmp_path, code, cards)
    assert why in session.closed
    assert int(session.machine.m.t) < session.machine.at(3)


@pytest.mark.parametrize(("code", "cards"), [
    ("F3 23 18FD", ""),  # inc hl / jr: it counts
    ("F3 210002 34 18FD", ""),  # inc (hl): memory changes
    ("F3 ED5F 18FC", ""),  # ld a,r: R tells the time
    ("F3 DB28 18FC", CTC),  # in a,(28h): a card may change
    ("F3 D377 18FC", ""),  # out (77h),a
    ("F3 76", DOG),  # a watchdog will pull RESET
])
def test_what_something_may_change_runs_on(tmp_path: Path, code: str, cards: str) -> None:
    session = run(tmp_path, code, cards)
    assert session.closed == ""
    assert int(session.machine.m.t) >= session.machine.at(6)


def test_a_prompt_beside_a_tick_runs_on() -> None:
    session = Session(Machine(load(ROMS / "tidewater" / "full.toml")), limit=Fraction(4),
                      over=Silent(closed))
    session.run()
    assert session.closed == ""


def test_the_verdict_is_the_same_and_second_runs_go_on_to_the_limit() -> None:
    def ended(over: Silent | None) -> Session:
        session = Session(Machine(load(ROMS / "tidewater" / "no-timer.toml")), None, Fraction(10),
                          sends_of((r"sleep 1\r",), (None,), Fraction(1, 5)), over=over)
        session.run()
        return session

    early, late = ended(Silent(closed)), ended(None)
    first, second = explain(early), explain(late)
    assert early.closed and not late.closed
    assert int(early.machine.m.t) * 4 < int(late.machine.m.t)
    assert (first.verdict, first.cause, first.remedy) == (
        second.verdict, second.cause, second.remedy)
    assert first.second_runs == second.second_runs != []
    assert "before its limit of 10 s" in first.evidence[-1]
