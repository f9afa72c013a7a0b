"""Causes at the CompactFlash card: what each verdict names, and that the remedy ends it."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from emu.description import load
from emu.diagnosis import explain
from emu.diagnosis.verdict import Verdict
from emu.machine import Machine
from emu.session import Session

BROKEN = Path(__file__).parent.parent / "roms" / "broken"


def verdict_of(path: Path) -> Verdict:
    session = Session(Machine(load(path)), None, Fraction(2))
    session.run()
    return explain(session)


@pytest.mark.parametrize(("name", "cause", "parts"), [
    ("cf-no-8-bit", "no-8-bit-mode", ("256 bytes were lost at 10h (data)", "EFh to 17h (status)",
                                      "In a copy of the machine", "cf-lib.s:")),
    ("cf-slow", "slow-card", ("after command 20h", "800000 T-states", "In a copy")),
    ("cf-slow-halt", "slow-card", ("after command 20h", "read-time")),
    ("cf-no-card", "no-card", ("17h (status)", "medium = ", "In a copy of the machine")),
    ("cf-drive-1", "no-drive-1", ("16h (head) holds F0h", "In a copy of the machine")),
    ("cf-other-system", "foreign-sector", ("4F 54 48 45 52", "decided by 00h read from port 10h",
                                           "cf.s:")),
    ("cf-hasty", "early-data", ("bytes were written to 10h (data) with BSY = 1", "Command 30h",
                                "In a copy of the machine", "cf-lib.s:")),
    ("cf-bad-sector", "failed-command", ("Command 20h, error 40h (UNC): sector 0 cannot be read",
                                         "ERR (bit 0 of 17h (status))", "In a copy",
                                         "jumper bad-sectors of slot cf")),
    ("cf-held-strobe", "repeated-data", ('data-strobe = "held"', "waits-io")),
])
def test_evidence_and_remedy_name_places(name: str, cause: str, parts: tuple[str, ...]) -> None:
    verdict = verdict_of(BROKEN / f"{name}.toml")
    assert verdict.cause == cause
    text = "\n".join([verdict.summary, *verdict.evidence, *verdict.remedy])
    for part in ("slot cf", *parts):
        assert part in text
    assert "{" not in text


@pytest.mark.parametrize(("name", "change"), [
    ("cf-slow", "read-time = 300"), ("cf-slow-halt", "read-time = 300"),
    ("cf-no-card", f'medium = "{BROKEN / "cf.img"}"'),
    ("cf-other-system", f'medium = "{BROKEN / "cf.img"}"'),
    ("cf-bad-sector", "bad-sectors = []"),
    ("cf-held-strobe", 'data-strobe = "own"'),
])
def test_what_is_mended_is_not_accused(tmp_path: Path, name: str, change: str) -> None:
    path = tmp_path / "mended.toml"
    path.write_text(f'extends = "{BROKEN / name}.toml"\n[slot.cf]\n{change}\n')
    verdict = verdict_of(path)
    assert (verdict.verdict, verdict.cause) == ("waiting-for-input", None)


@pytest.mark.parametrize(("settings", "command", "parts"), [
    ('write-protect = true', 0x30, ("30h, error 04h (ABRT)", "jumper write-protect of slot cf")),
    ("", 0xD0, ("D0h, error 04h (ABRT): the card refuses it.", "IDENTIFY")),
    ("", 0x20, ("20h, error 10h (IDNF): there is no sector 255 on a card of 4 sectors",
                "LBA or CHS in 66h (head)")),
])
def test_a_program_that_never_looks_at_err(tmp_path: Path, settings: str, command: int,
                                           parts: tuple[str, ...]) -> None:
    ready = "DB67 07 38FB "  # IN A,(67h) / RLCA / JR C
    program = (f"{ready}3E01 D362 3EFF D363 AF D364 D365 3EE0 D366 "
               f"3E{command:02X} D367 DB67 E608 28FA F3 76")  # until DRQ
    (tmp_path / "p.bin").write_bytes(bytes.fromhex(program))
    (tmp_path / "card.img").write_bytes(bytes(4 * 512))
    (tmp_path / "m.toml").write_text(
        '[slot.cpu]\ncard = "z80-cpu"\nclock = "4 MHz"\n[slot.memory]\ncard = "plain-memory"\n'
        'image = "p.bin"\n[slot.cf]\ncard = "compactflash"\nbase = 0x60\nready-time = 100\n'
        f'medium = "card.img"\n{settings}\n')
    verdict = verdict_of(tmp_path / "m.toml")
    assert (verdict.verdict, verdict.cause) == ("hung", "failed-command")
    text = "\n".join([verdict.summary, *verdict.evidence, *verdict.remedy])
    for part in parts:
        assert part in text
