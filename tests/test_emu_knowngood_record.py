"""Records: what they hold, the file they stand in, and the ones that come with the ROMs."""
from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import pytest
from knowngood_bench import FULL, TIDEWATER, booted, full

from emu.backplane.description import load
from emu.errors import InputError
from emu.knowngood import recordfile
from emu.knowngood.hold import STRICT, Tolerance, hold
from emu.knowngood.metered import MeteredMachine
from emu.knowngood.record import VERSION, console_text, record
from emu.knowngood.report import verify
from emu.machine.machine import Machine
from emu.run.console import Console
from emu.run.script import Step
from emu.run.session import Session


@pytest.mark.parametrize("name", ["full", "no-timer", "plain"])
def test_the_machines_of_the_roms_run_as_recorded(name: str) -> None:
    """After a wanted change: python tools/record_roms.py, and look at what changed."""
    path = TIDEWATER / "good" / f"{name}.json"
    found = verify(load(TIDEWATER / f"{name}.toml"), recordfile.read(path), path, STRICT,
                   Tolerance())
    assert found.same, "\n".join(found.lines())


def test_a_record_tells_what_the_machine_counted() -> None:
    session, tree = booted(full())
    plain = Machine(full())
    other = Session(plain, "tw> ", Fraction(1))
    other.run()
    channel = other.console.channels["sio.a"]
    assert console_text(tree["console"]["sio.a"]) == channel.text.decode("latin-1")
    assert tree["console"]["sio.a"]["lines"][0][0] == channel.times[0]
    assert tree["end"]["t"] == int(plain.m.t)
    assert tree["interrupts"]["acknowledges"] == int(plain.m.ack_count) > 0
    sio = plain.slot("sio").number
    assert tree["interrupts"]["cards"]["sio"]["accepted"] == int(plain.m.int_count[sio])
    rows = {row[0]: row[1:3] for row in tree["ports"]["sio"]}
    assert rows["20"] == [int(plain.m.port_reads[0x20]), int(plain.m.port_writes[0x20])]
    assert ["until 'tw> '", other.reached_t] in tree["milestones"]
    times = [t for _, t in tree["milestones"]]
    assert times == sorted(times)
    assert session.machine.m.logging == 0


def test_changed_pages_are_those_that_changed() -> None:
    _, tree = booted(full())
    plain = Machine(full())
    before = plain.snapshot().memory.copy()
    Session(plain, "tw> ", Fraction(1)).run()
    after = plain.snapshot().memory
    pages = [f"{at:05X}" for at in range(0, len(after), 4096)
             if (after[at:at + 4096] != before[at:at + 4096]).any()]
    assert list(tree["memory"]["memory"]["changed"]) == pages != []


def test_the_file_is_the_same_each_time_and_reads_back(tmp_path: Path) -> None:
    first, second = (booted(full())[1] for _ in range(2))
    text = recordfile.dump(first)
    assert text == recordfile.dump(second)
    path = tmp_path / "good.json"
    recordfile.write(path, first)
    assert path.read_text() == text and text.isascii() and len(text) < 12_000
    assert max(map(len, text.splitlines())) < 200
    read = recordfile.read(path)
    assert {k: v for k, v in read.items() if k not in ("format", "seal")} == first
    assert sorted(p.name for p in tmp_path.iterdir()) == ["good.json"]


def test_what_is_written_on_a_disk_is_kept() -> None:
    """`disk make` formats 720K: 80 cylinders of two sides, each track a piece."""
    description = load(TIDEWATER / "floppy.toml")
    steps = [Step("expect", b"tw> ", Fraction(1)), Step("send", b"disk make\r")]
    trees = []
    for _ in range(2):
        session = Session(MeteredMachine(description), "tw> ", Fraction(120), list(steps))
        session.run()
        assert session.reached
        trees.append(record(session))
    disk = trees[0]["memory"]["floppy.drive-a"]
    assert trees[0] == trees[1] and len(disk["changed"]) == 160 and disk["power-on"] == "blank"
    assert trees[0]["media"]["floppy.drive-a"] == {"file": "harbour.img", "sha256": "blank"}
    other = {**trees[0]["memory"], "floppy.drive-a": {**disk, "changed": {}}}
    aspect = hold(trees[0], {**trees[0], "memory": other}, ("memory",), Fraction(6_144_000))
    assert aspect[0].differences[0].startswith("floppy.drive-a: 160 tracks or blocks end otherwise")


def broken(tmp_path: Path, old: str, new: str) -> str:
    path = tmp_path / "good.json"
    text = (TIDEWATER / "good" / "plain.json").read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(InputError) as caught:
        recordfile.read(path)
    return str(caught.value).removeprefix(f"{path}: ")


def test_records_that_are_none(tmp_path: Path) -> None:
    assert broken(tmp_path, "ACIA", "SIOs") == (
        "was edited after it was recorded: its seal does not fit; take the file back from version "
        "control, or record the good image again.")
    assert broken(tmp_path, '"version": 1', f'"version": {VERSION + 1}').startswith(
        f"is a record of version {VERSION + 1}, made by preburn ")
    assert "names no version" in broken(tmp_path, '"version": 1', '"version": "1"')
    assert "line 2 is broken JSON" in broken(tmp_path, '"format":', '"format"')
    assert broken(tmp_path, "known-good record", "shopping list") == (
        "is no known-good record; make one with preburn record.")


def test_a_sealed_file_without_its_tables(tmp_path: Path) -> None:
    path = tmp_path / "good.json"
    path.write_text(recordfile.dump({"version": VERSION, "machine": {}}))
    with pytest.raises(InputError, match="preburn is missing or not as records have it; record the "
                                         "good image again"):
        recordfile.read(path)


def test_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written: there is no folder"):
        recordfile.write(tmp_path / "nowhere" / "good.json", {"version": 1})


def test_only_metered_runs_can_be_recorded() -> None:
    session = Session(Machine(full()))
    assert isinstance(session.console, Console)
    with pytest.raises(TypeError, match="MeteredMachine"):
        record(session)


def test_no_path_gets_into_a_record() -> None:
    """Records are the same on every machine, wherever the files lie."""
    text = json.dumps(booted(full())[1])
    assert str(FULL.parent) not in text and '"tidewater.elf"' in text
