"""A session at the console, kept as a script or a test, and done again from that."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.errors import InputError
from emu.live import typed
from emu.machine.machine import Machine
from emu.run.script import read_script
from emu.run.session import Session
from emu.stepper.stepper import Stepper
from emu.stepper.watch import parse
from emu.testing.rig import Rig

FULL = Path(__file__).parent.parent / "roms" / "tidewater" / "full.toml"


@pytest.fixture(scope="module")
def sat() -> Stepper:
    """Somebody has typed two commands key by key, one of them slow."""
    stepper = Stepper(Machine(load(FULL)))
    stepper.until(parse('text "tw> "', stepper.book))
    for line in (b"sleep 1\r", b"ls\r"):
        for key in line:
            stepper.go(stepper.t + stepper.machine.at(Fraction(1, 20)))
            stepper.change("typed", "sio.a", bytes([key]))
        stepper.until(parse('text "tw> "', stepper.book))
    return stepper


def test_it_can_be_run_as_a_script(sat: Stepper, tmp_path: Path) -> None:
    path = tmp_path / "s.script"
    assert typed.write(path, sat) == f"preburn boot {FULL} --script {path}"
    lines = path.read_text().splitlines()
    assert lines[0].startswith("# typed at preburn console, full.toml")
    assert lines[2] == r'send "sleep 1\r"' and lines[4] == r'send "ls\r"'
    assert lines[1].startswith('expect "tw> " within') and len(lines) == 6
    session = Session(Machine(load(FULL)), None, Fraction(20), read_script(path))
    session.run()
    assert session.missed is None and not session.steps
    wanted = bytes(sat.console.channels["sio.a"].text)
    assert wanted in bytes(session.console.channels["sio.a"].text)


def test_it_can_be_run_as_a_test(sat: Stepper, tmp_path: Path) -> None:
    path = tmp_path / "test_typed.py"
    assert typed.write(path, sat) == f"pytest {path}"
    text = path.read_text()
    assert "@pytest.mark.backplane(" in text and r"rig.send('sleep 1\r')" in text
    space: dict[str, object] = {}
    exec(compile(text, str(path), "exec"), space)
    rig = Rig.boot(FULL)
    space["test_session"](rig)  # type: ignore[operator]
    assert "readme" in rig.console


@pytest.fixture(scope="module")
def by_hand(tmp_path_factory: pytest.TempPathFactory) -> Stepper:
    """Somebody has sent a break and two spoilt characters, and held /INT; channel B has parity."""
    path = tmp_path_factory.mktemp("parity") / "m.toml"
    path.write_text(f'extends = "{FULL}"\n[slot.sio]\n'
                    f'terminal-b = {{ baud = 9600, format = "8E1" }}\n')
    stepper = Stepper(Machine(load(path)))
    stepper.until(parse('text "tw> "', stepper.book))
    for kind, where, value in (("typed", "sio.a", b"ls"), ("framing-error", "sio.a", b'"\r'),
                               ("break", "sio.a", "3/100"), ("line", "int", 1), ("line", "int", 0),
                               ("parity-error", "sio.b", b"x")):
        stepper.go(stepper.t + stepper.machine.at(Fraction(1, 50)))
        stepper.change(kind, where, value)
    stepper.go(stepper.t + stepper.machine.at(Fraction(1, 10)))
    return stepper


LINES = ["channel sio.a", 'send "ls"', r'send "\"\r" with framing error', "break 30 ms",
         "hold int", "release int", "channel sio.b", 'send "x" with parity error']


def test_breaks_and_spoilt_characters_are_kept_in_a_script(by_hand: Stepper,
                                                           tmp_path: Path) -> None:
    path = tmp_path / "s.script"
    typed.write(path, by_hand)
    lines = path.read_text().splitlines()
    assert [line for line in lines if line in LINES] == LINES
    assert not any(line.startswith("# no script") for line in lines)
    session = Session(Machine(by_hand.machine.description), None, Fraction(20), read_script(path))
    session.run()
    done = [(one.kind, one.where, one.value) for one in session.inputs]
    assert done == [(one.kind, one.where, one.value) for one in by_hand.history.inputs]


def test_breaks_and_spoilt_characters_are_kept_in_a_test(by_hand: Stepper,
                                                         tmp_path: Path) -> None:
    path = tmp_path / "test_typed.py"
    typed.write(path, by_hand)
    space: dict[str, object] = {}
    exec(compile(path.read_text(), str(path), "exec"), space)
    rig = Rig.boot(by_hand.machine.description.path)
    space["test_session"](rig)  # type: ignore[operator]
    done = [(one.kind, one.where, one.value) for one in rig.session.inputs]
    assert done == [(one.kind, one.where, one.value) for one in by_hand.history.inputs]


def test_names_that_cannot_be(sat: Stepper, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="call it .*evening.script for --script, or "
                                         "test_evening.py for pytest"):
        typed.write(tmp_path / "evening", sat)
    with pytest.raises(InputError, match="call it test_boot.py, or end it in .script"):
        typed.write(tmp_path / "boot.py", sat)
    (tmp_path / "a.script").write_text("mine")
    with pytest.raises(InputError, match="is there already and is no session that was typed"):
        typed.write(tmp_path / "a.script", sat)
