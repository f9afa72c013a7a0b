"""Sessions: slices, scripts, replay, and the same result however it is sliced."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from emu.description import load
from emu.machine import Machine
from emu.script import read_script
from emu.session import Session

TIDEWATER = Path(__file__).parent.parent / "roms" / "tidewater"


def test_every_command_of_tidewater() -> None:
    session = Session(Machine(load(TIDEWATER / "full.toml")), None, Fraction(60),
                      read_script(TIDEWATER / "every-command.script"))
    session.run()
    assert session.failed_step is None
    assert session.steps == []


@pytest.mark.parametrize("step", [997, 6144, 50_000])
def test_slices_do_not_matter(step: int) -> None:
    whole = Machine(load(TIDEWATER / "full.toml"))
    sliced = Machine(load(TIDEWATER / "full.toml"))
    end = whole.at(Fraction(1, 20))
    whole.run(end)
    while int(sliced.m.t) < end:
        sliced.run(min(int(sliced.m.t) + step, end))
    assert int(whole.m.t) == int(sliced.m.t)
    a, b = whole.snapshot(), sliced.snapshot()
    assert (a.memory == b.memory).all()
    for name in ("r", "alt", "pc", "sp", "refresh", "wz", "instructions", "int_count"):
        assert (whole.record[name] == sliced.record[name]).all(), name


def test_the_log_changes_nothing() -> None:
    plain, logged = (Machine(load(TIDEWATER / "full.toml")) for _ in range(2))
    end = plain.at(Fraction(1, 20))
    plain.run(end)
    logged.log(True)
    while int(logged.m.t) < end:
        logged.run(end)
    assert int(plain.m.instructions) == int(logged.m.instructions)
    assert (plain.snapshot().memory == logged.snapshot().memory).all()


def test_a_snapshot_goes_on_to_the_t_state() -> None:
    machine = Machine(load(TIDEWATER / "full.toml"))
    machine.run(machine.at(Fraction(1, 50)))
    saved = machine.snapshot()
    machine.run(machine.at(Fraction(1, 10)))
    after = machine.snapshot()
    machine.restore(saved)
    machine.run(machine.at(Fraction(1, 10)))
    again = machine.snapshot()
    assert (after.memory == again.memory).all()
    assert after.t == again.t


def test_wrong_divisor_gives_garbage(tmp_path: Path) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text(f'extends = "{TIDEWATER}/full.toml"\n[slot.sio]\n'
                    "terminal-a = { baud = 9600 }\n")
    session = Session(Machine(load(path)), None, Fraction(1))
    session.run()
    text = bytes(session.console.channels["sio.a"].text)
    assert text
    assert b"Tidewater" not in text
