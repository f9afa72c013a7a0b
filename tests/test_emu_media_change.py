"""Disks changed while a machine runs: by a script, in a replay, and what --keep writes."""
from __future__ import annotations

import binascii
from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.media.bay import Bay
from emu.media.files import open_floppy
from emu.media.geometry import FORMATS
from emu.media.track import lay
from emu.run.kept_media import keep_media
from emu.run.medium_change import change
from emu.run.script import read_script
from emu.run.session import Session
from emu.run.snapshot_shelf import Shelf

SIZE = FORMATS["1.44M"].size
SCRIPT = """
wait 1.5 s
eject floppy.drive-a
wait 0.3 s
insert floppy.drive-a "two.img"
expect "failed" within 60 s
"""


def session(folder: Path, roms: Path, script: str = SCRIPT) -> Session:
    """Boot the maker of file systems on one.img, with a script that changes disks."""
    for name in ("one.img", "two.img"):
        if not (folder / name).exists():
            (folder / name).write_bytes(bytes(SIZE))
    (folder / "plane.toml").write_text(
        f'extends = "{roms / "floppy" / "makefs.toml"}"\n[slot.floppy]\n'
        f'drive-a = {{ medium = "one.img", blank = false, geometry = "1.44M" }}\n')
    (folder / "change.script").write_text(script)
    return Session(Machine(load(folder / "plane.toml")), None, Fraction(3),
                   read_script(folder / "change.script"))


def digest(machine: Machine) -> tuple[int, int, list[tuple[str, int]]]:
    """Sum up a machine with its disks."""
    machine.flush()
    bay = machine.bays["floppy.drive-a"]
    disks = [(str(b.original.path), binascii.crc32(b"".join(
        b.pieces[k].data for k in sorted(b.pieces)))) for b in (bay, *bay.shelved())]
    return int(machine.m.t), binascii.crc32(machine.snapshot().memory.tobytes()), disks


def test_script_changes_the_disk_and_a_replay_does_so_too(tmp_path: Path, roms: Path):
    run = session(tmp_path, roms)
    run.run()
    bay = run.machine.bays["floppy.drive-a"]
    run.machine.flush()
    assert bay.original.path == tmp_path / "two.img"
    assert len(bay.shelved()) == 1 and len(bay.shelved()[0].pieces) >= 2
    assert int(run.machine.slot("floppy").state.drive[0].seen) == bay.inserts == 2
    assert digest(run.replay(int(run.machine.m.t))) == digest(run.machine)
    middle = run.replay(run.machine.at(Fraction(16, 10)))
    assert middle.bays["floppy.drive-a"].original is None
    run.shelf = Shelf()  # and from power-on, without a snapshot
    assert digest(run.replay(int(run.machine.m.t))) == digest(run.machine)


def test_keep_writes_every_disk_that_was_in(tmp_path: Path, roms: Path):
    machine = session(tmp_path, roms).machine
    bay = machine.bays["floppy.drive-a"]
    for name, byte in (("two.img", b"\x11"), ("one.img", b"\x22")):
        change(machine, bay.name, open_floppy(tmp_path / name, None))
        bay.put(2, lay(FORMATS["1.44M"], 1, 0, byte * 9216))
    assert sorted(Path(k).name for k in keep_media(machine)) == ["one.img", "two.img"]
    for name, byte in (("two.img", b"\x11"), ("one.img", b"\x22")):
        assert (tmp_path / name).read_bytes() == (
            bytes(2 * 9216) + byte * 9216 + bytes(SIZE - 3 * 9216))


def test_disk_that_cannot_be_kept_does_not_hinder_another(tmp_path: Path, roms: Path):
    machine = session(tmp_path, roms).machine
    bay = machine.bays["floppy.drive-a"]
    bay.put(0, lay(FORMATS["720K"], 0, 0, bytes(4608)))
    change(machine, bay.name, open_floppy(tmp_path / "two.img", None))
    bay.put(0, lay(FORMATS["1.44M"], 0, 0, b"\x33" * 9216))
    bay.put(1, lay(FORMATS["720K"], 0, 1, bytes(4608)))
    bay.insert(open_floppy(tmp_path / "one.img", None))
    bay.put(0, lay(FORMATS["1.44M"], 0, 0, b"\x33" * 9216))
    with pytest.raises(InputError, match="cylinder 0, head 1: sector 10 is missing"):
        keep_media(machine)
    assert (tmp_path / "one.img").read_bytes()[:9216] == b"\x33" * 9216
    assert (tmp_path / "two.img").read_bytes() == bytes(SIZE)


def test_disk_that_comes_back_holds_what_was_written(tmp_path: Path):
    (tmp_path / "one.img").write_bytes(bytes(SIZE))
    disk = open_floppy(tmp_path / "one.img", None)
    bay = Bay("floppy.drive-a", disk)
    track = lay(FORMATS["1.44M"], 0, 0, b"\x11" * 9216)
    bay.put(0, track)
    bay.insert(None)
    assert bay.get(0) is None and [b.get(0) for b in bay.shelved()] == [track]
    bay.insert(open_floppy(tmp_path / "one.img", None))
    assert bay.get(0) is track and bay.shelved() == []


@pytest.mark.parametrize("line, message", [
    ("eject floppy", "'eject' is no statement"),
    ("eject floppy.drive-b", "floppy.drive-b: no drive or socket for a medium; known: "
                             "floppy.drive-a."),
    ("insert floppy.drive-a", "a text in double quotes belongs here"),
    ('insert drive-a "x.img"', 'insert takes a drive and a file, such as insert floppy.drive-a '
                               '"logs.img".'),
])
def test_mistakes_in_a_script(tmp_path: Path, roms: Path, line: str, message: str):
    with pytest.raises(InputError) as raised:
        session(tmp_path, roms, line + "\n")
    assert str(raised.value).startswith(f"{tmp_path / 'change.script'}:1: ")
    assert message in str(raised.value)


def test_missing_disk_is_named_when_its_turn_comes(tmp_path: Path, roms: Path):
    run = session(tmp_path, roms, 'insert floppy.drive-a "none.img"\n')
    with pytest.raises(InputError, match="none.img: no such file; check the floppy image path"):
        run.run()
