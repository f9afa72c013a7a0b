"""Causes at the floppy controller: what each verdict names, and that the remedy ends it."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.diagnosis import explain
from emu.diagnosis.verdict import Verdict
from emu.machine.machine import Machine
from emu.run.session import Session

BROKEN = Path(__file__).parent.parent / "roms" / "broken" / "floppy"


def verdict_of(path: Path, limit: float = 3) -> Verdict:
    session = Session(Machine(load(path)), None, Fraction(limit))
    session.run()
    return explain(session)


@pytest.mark.parametrize(("name", "parts"), [
    ("motor-off", ("holds 0Ch", "bit 4", "Write 1Ch to port 42h", "send+0xa", "read_sector")),
    ("motor-slow", ("takes 400 ms", "port 42h", "In a copy of the machine")),
    # a byte waits 26 us at 250 kbit/s (8272A data sheet, doubled); the handler takes 110
    ("interrupted-transfer", ("tick (interrupted-transfer.s:", "read_sector", "Put DI before")),
    ("no-disk", ("drive-b", "2Dh", "is not fitted", "port 42h")),
    ("wrong-data-rate", ("at 500 kbit/s", "written at 250", "40 01 00", "Write 2 (250 kbit/s) to "
                         "port 43h", "In a copy of the machine")),
    # 16 us a byte and 13 us at most at 500 kbit/s (8272A data sheet), at 4 MHz
    ("data-overrun", ("every 64 T-states", "within 52", "next+", "data-overrun.s:")),
    ("missing-terminal-count", ("40 80 00", "touch port 44h", "ST0 = 40h with ST1 = 80h")),
    ("missing-sense", ("SENSE INTERRUPT", "ST0 = 20h waits", "46h, sent at", "port 41h")),
    ("write-protected", ("write-protect = false in drive-a", "40 02 00",
                         "In a copy of the machine")),
    ("disk-change-latched", ("port 43h", "step pulse", "wait (disk-change-latched.s:",
                             "In a copy of the machine")),
    ("interrupt-unwired", ("floppy.int", "interrupt = true", "HALT at", "port 40h")),
])
def test_evidence_and_remedy_name_places(name: str, parts: tuple[str, ...]) -> None:
    verdict = verdict_of(BROKEN / f"{name}.toml")
    assert verdict.cause == name
    text = "\n".join([verdict.summary, *verdict.evidence, *verdict.remedy])
    for part in ("floppy", *parts):
        assert part in text
    assert "{" not in text


@pytest.mark.parametrize(("name", "change"), [
    ("wrong-data-rate", "drive-a = { geometry = { cylinders = 1, heads = 1, sectors = 9, "
                        "rate = 500, gap3 = 84 } }"),
    ("data-overrun", 'data-rate = "250"\ndrive-a = { geometry = { cylinders = 1, heads = 1, '
                     "sectors = 9, rate = 250, gap3 = 84 } }"),
    ("write-protected", "drive-a = { write-protect = false }"),
    ("motor-slow", "drive-a = { spin-up = 20 }"),
    ("interrupt-unwired", "interrupt = true"),
    ("no-disk", 'drive-b = { size = "3.5", blank = true }'),
    ("recalibrate-short", "drive-a = { tracks = 75 }"),
])
def test_what_is_mended_is_not_accused(tmp_path: Path, name: str, change: str) -> None:
    path = tmp_path / "mended.toml"
    path.write_text(f'extends = "{BROKEN / name}.toml"\n[slot.floppy]\n{change}\n')
    assert verdict_of(path, 5).cause != name


def test_another_hang_is_not_put_down_to_the_floppy(tmp_path: Path) -> None:
    """The controller holds a failed write, and the program has gone on to hang elsewhere."""
    path = tmp_path / "elsewhere.toml"
    path.write_text(f'extends = "{BROKEN / "write-protected.toml"}"\n'
                    f'[slot.memory]\nimage = "{BROKEN.parent / "ports" / "silent-port.elf"}"\n')
    machine = Machine(load(path))
    floppy = next(slot for slot in machine.slots if slot.name == "floppy")
    floppy.state.results, floppy.state.refused = 7, 1
    floppy.state.result[:3] = (0x40, 2, 0)
    machine.m.slot_writes[floppy.number] = 9  # the command was written to it
    assert [t.code for t in floppy.card.troubles(machine.m, floppy.state)][0] == \
        "disk-change-latched"  # and the refused write: it knows of both
    session = Session(machine, None, Fraction(1))
    session.run()
    assert explain(session).cause == "silent-port"
