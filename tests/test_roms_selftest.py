"""Flat programs at 0100h on the stub of roms/selftest."""
from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.diagnosis import explain
from emu.machine.machine import Machine
from emu.run.session import Session

SELFTEST = Path(__file__).parent.parent / "roms" / "selftest"
ENDED = b"\r\nProgram ended.\r\n"


def run(tmp_path: Path, code: bytes) -> Session:
    """Run a flat program on the stub, as a builder's own file does."""
    (tmp_path / "mine.bin").write_bytes(code)
    path = tmp_path / "mine.toml"
    path.write_text(f'extends = "{SELFTEST / "flat.toml"}"\n[slot.memory]\n'
                    'ram-load.program = "mine.bin@0x100"\n')
    session = Session(Machine(load(path)), "Program ended.", Fraction(1))
    session.run()
    return session


def shown(session: Session) -> bytes:
    return bytes(session.console.channels["sio.a"].text)


def test_two_to_the_64th() -> None:
    """The digits of 2 ** 64, worked out by Python."""
    session = Session(Machine(load(SELFTEST / "flat.toml")), None, Fraction(1))
    session.run()
    assert shown(session) == f"{2 ** 64} is 2 to the 64th\r\n".encode() + ENDED
    verdict = explain(session)
    assert verdict.verdict == "halted"
    assert "Program ended." in verdict.summary
    assert verdict.cause is None and verdict.remedy == []


@pytest.mark.parametrize("end", ["C30000", "C9", "C34600"])
def test_a_test_file_prints_and_ends(tmp_path: Path, end: str) -> None:
    """By a jump to 0000h, by its last return (common practice, no source), by the stub's end."""
    text = b"It prints.$"
    body = bytes.fromhex("0E09 CD0500 2A0600 220080" + end)
    code = bytes.fromhex("11") + (0x103 + len(body)).to_bytes(2, "little") + body + text
    session = run(tmp_path, code)
    assert session.reached
    assert shown(session) == b"It prints." + ENDED
    top = bytes(session.machine.m.phys[0x8000:0x8002])
    assert int.from_bytes(top, "little") == 0xFE00  # what 0006h holds


def test_single_characters_and_calls_that_are_not_served(tmp_path: Path) -> None:
    """C = 2 prints E; anything but 2 and 9 is told and ends the run."""
    code = bytes.fromhex("0E02 1E58 CD0500"  # print X
                         "0E0B CD0500 0E02 1E59 CD0500 C30000")  # call 0Bh; print Y
    session = run(tmp_path, code)
    assert shown(session) == b"X\r\nCALL 0005h: only C = 2 and C = 9 are served.\r\n" + ENDED


def test_the_stubs_own_entries_keep_the_registers(tmp_path: Path) -> None:
    """0040h prints A, 0043h the text at HL; BC, DE, IX and IY go on."""
    text = b"ne\0"
    code = bytes.fromhex("014141 11BEBA 3E4F CD4000 21 2001 CD4300"  # BC, DE; O; the text at 0120h
                         "78 CD4000 79 CD4000 ED53 0080 C34600").ljust(0x20, b"\0") + text
    session = run(tmp_path, code)
    assert shown(session) == b"OneAA" + ENDED
    assert bytes(session.machine.m.phys[0x8000:0x8002]) == b"\xBE\xBA"


def test_the_command_ends_with_status_0(preburn: Callable) -> None:
    done = preburn("boot", SELFTEST / "flat.toml", "--until", "Program ended.")
    assert done.returncode == 0
    assert "verdict: reached" in done.stdout
