"""Drive tables, geometries and disks in a backplane file; writing floppies back."""
from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from fdc_bench import IMAGE, Fdc

from emu.backplane.description import load
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.media.bay import Bay, Original
from emu.media.files import check_keep, keep, open_floppy
from emu.media.geometry import FORMATS, parse
from emu.media.track import lay

PLANE = """
[slot.cpu]
card = "z80-cpu"
clock = "4 MHz"
[slot.memory]
card = "plain-memory"
[slot.floppy]
card = "fdc-765"
base = 0x40
"""


def plane(folder: Path, text: str) -> Path:
    """Write a backplane file with a floppy controller and more settings."""
    path = folder / "plane.toml"
    path.write_text(PLANE + text)
    return path


@pytest.mark.parametrize("text, message", [
    ('drive-a = "x.img"', 'slot.floppy: drive-a takes a table such as { size = "3.5", medium = '
     '"logs.img" }, or false for no drive, not \'x.img\'.'),
    ("drive-a = { trakcs = 80 }", "slot.floppy: drive-a: unknown key 'trakcs'; did you mean "
     "'tracks'?"),
    ('drive-a = { size = "8" }', "slot.floppy: drive-a: size takes 3.5, 5.25 (inches), not '8'."),
    ("drive-a = { tracks = 800 }", "slot.floppy: drive-a: tracks takes a whole number from 35 to "
     "85, not 800."),
    ("drive-a = { rpm = 200 }", "slot.floppy: drive-a: rpm takes 300 or 360, not 200."),
    ("drive-a = { blank = 1 }", "slot.floppy: drive-a: blank takes true or false, not 1."),
    ("drive-a = { medium = 5 }", "slot.floppy: drive-a: medium takes a file's path, not 5."),
    ('drive-a = { geometry = "2M" }', "slot.floppy: drive-a: geometry: format takes 360K, 720K, "
     "1.2M, 1.44M, not '2M'."),
    ("drive-a = { geometry = { heads = 2, sectors = 9 } }", "slot.floppy: drive-a: geometry needs "
     "cylinders, heads and sectors, or a format."),
    ('drive-a = { geometry = { format = "720K", sectors = 12 } }', "slot.floppy: drive-a: "
     "geometry: 12 sectors of 512 bytes need 6888 bytes a turn with their marks, but 6250 pass "
     "the head; take fewer or a higher rate."),
    ('drive-a = { geometry = { format = "720K", rate = 1000 } }', "slot.floppy: drive-a: "
     "geometry: rate takes 250, 300, 500, not 1000."),
])
def test_mistakes_in_a_drive_table(tmp_path: Path, text: str, message: str):
    path = plane(tmp_path, text)
    with pytest.raises(InputError) as raised:
        load(path)
    assert str(raised.value) == f"{path}: {message}"


def test_path_is_relative_to_the_file_and_a_missing_file_is_named(tmp_path: Path):
    path = plane(tmp_path, 'drive-a = { medium = "logs.img" }')
    with pytest.raises(InputError) as raised:
        load(path)
    assert str(raised.value) == (f"{path}: slot.floppy: drive-a: {tmp_path / 'logs.img'}: no such "
                                 f"file; check the floppy image path.")


def test_disk_that_the_drive_cannot_reach(tmp_path: Path):
    (tmp_path / "logs.img").write_bytes(bytes(FORMATS["720K"].size))
    path = plane(tmp_path, 'drive-a = { size = "5.25", medium = "logs.img" }')
    with pytest.raises(InputError, match="the disk has 80 cylinders and 2 heads, but the drive "
                                         "reaches 40 and 2; change one of them"):
        load(path)


def test_one_file_in_two_drives(tmp_path: Path):
    (tmp_path / "logs.img").write_bytes(bytes(FORMATS["720K"].size))
    twice = 'drive-a = {{ medium = "logs.img"{0} }}\ndrive-b = {{ medium = "./logs.img"{0} }}'
    path = plane(tmp_path, twice.format(""))
    with pytest.raises(InputError, match="is in another drive as well .*slot.floppy: drive-a"):
        load(path)
    load(plane(tmp_path, twice.format(", write-protect = true")))


def test_drives_that_are_fitted(tmp_path: Path):
    machine = Machine(load(plane(tmp_path, "drive-a = false\ndrive-c = {}")))
    assert list(machine.bays) == ["floppy.drive-c"]
    assert [int(d.fitted) for d in machine.slot("floppy").state.drive] == [0, 0, 1, 0]


def floppy(path: Path, geometry: Any = None, **more: Any) -> tuple[Fdc, Bay]:
    """Put a file into drive A of a controller that is ready."""
    fdc = Fdc({"drive-a": {"geometry": "1.44M"}})
    bay = fdc.bays["drive-a"]
    bay.insert(open_floppy(path, geometry, **more))
    fdc.bench.serve()
    fdc.start()
    fdc.recalibrate()
    return fdc, bay


def test_written_sectors_are_kept_and_the_rest_stays(tmp_path: Path):
    path = tmp_path / "logs.img"
    path.write_bytes(IMAGE)
    fdc, bay = floppy(path)
    fdc.write(0, 1, 3, b"k" * 512)
    fdc.bench.serve()
    assert keep(bay)
    at = (18 + 2) * 512
    assert path.read_bytes() == IMAGE[:at] + b"k" * 512 + IMAGE[at + 512:]


def test_blank_disk_is_kept_once_it_is_formatted_whole(tmp_path: Path):
    path = tmp_path / "new.img"
    shape = parse({"cylinders": 2, "heads": 1, "sectors": 18, "rate": 500, "gap3": 0x6C}, "t")
    fdc, bay = floppy(path, shape, blank=True)
    fdc.format(0, 0, list(range(1, 19)), fill=0xE5)
    fdc.bench.serve()
    with pytest.raises(InputError) as raised:
        keep(bay)
    assert str(raised.value) == (
        "drive-a: a raw image cannot hold this disk: cylinder 1, head 0: sector 1 is missing; "
        "format it whole before --keep, or name a medium that ends in .tracks. Nothing was "
        "written.")
    assert not path.exists()
    fdc.seek(1)
    fdc.format(1, 0, [1, 10, 2, 11, 3, 12, 4, 13, 5, 14, 6, 15, 7, 16, 8, 17, 9, 18], fill=0x22)
    fdc.write(1, 0, 2, b"x" * 512)
    fdc.bench.serve()
    assert keep(bay)
    assert path.read_bytes() == (b"\xE5" * 18 * 512 + b"\x22" * 512 + b"x" * 512
                                 + b"\x22" * 16 * 512)


@pytest.mark.parametrize("write, trouble", [
    (lambda fdc: fdc.write(0, 0, 4, bytes(512), op=0x49), "sector 4 has a deleted mark"),
    (lambda fdc: fdc.format(0, 0, [1, 2, 3]), "sector 4 is missing"),
    (lambda fdc: fdc.format(0, 0, list(range(1, 19)), n=1),
     "sector 1 has 256 bytes instead of 512"),
    (lambda fdc: fdc.format(0, 0, list(range(1, 19)), gap=0xB0), "sector 17 has a bad CRC"),
])
def test_what_an_image_cannot_hold_is_said(tmp_path: Path, write, trouble: str):
    path = tmp_path / "logs.img"
    path.write_bytes(IMAGE)
    fdc, bay = floppy(path)
    write(fdc)
    fdc.bench.serve()
    with pytest.raises(InputError, match=f"cylinder 0, head 0: {trouble}; format it whole"):
        keep(bay)
    assert path.read_bytes() == IMAGE


def test_sectors_beyond_the_image(tmp_path: Path):
    path = tmp_path / "logs.img"
    path.write_bytes(IMAGE)
    bay = Bay("floppy.drive-a", open_floppy(path, None))
    bay.put(160, lay(FORMATS["1.44M"], 80, 0, IMAGE[:9216]))
    with pytest.raises(InputError, match="cylinder 80, head 0 holds sectors, but the image has 80 "
                                         "cylinders and 2 heads"):
        keep(bay)


def test_keep_of_a_blank_disk_needs_a_geometry_and_a_file(tmp_path: Path):
    disk = open_floppy(tmp_path / "new.img", None, blank=True)
    with pytest.raises(InputError, match="cannot tell how large the image of a blank disk becomes"):
        check_keep([Bay("floppy.drive-a", disk)])
    with pytest.raises(InputError, match="--keep has no file to write the disk to"):
        check_keep([Bay("floppy.drive-a", Original(None, b"", FORMATS["720K"], False, False))])
    check_keep([Bay("floppy.drive-a", None),
                Bay("floppy.drive-b", Original(None, b"", None, True, False))])


def test_boot_keeps_a_disk_and_refuses_a_short_one(tmp_path: Path, preburn, roms: Path):
    text = (f'extends = "{roms / "floppy" / "makefs.toml"}"\n[slot.floppy]\ndrive-a = '
            f'{{ medium = "new.img", blank = true, geometry = {{ cylinders = 80, heads = 2, '
            f'sectors = 18, rate = 500, gap3 = 0x6C }} }}\n')
    (tmp_path / "plane.toml").write_text(text)
    result = preburn("boot", tmp_path / "plane.toml", "--keep", "--limit", "0.5")
    assert result.returncode == 1 and "kept:" not in result.stdout
    assert not (tmp_path / "new.img").exists()
    result = preburn("boot", tmp_path / "plane.toml", "--keep", "--until", "writing",
                     "--limit", "100")
    assert result.returncode == 0, result.stderr
    assert f"kept: {tmp_path / 'new.img'}" in result.stdout
    assert (tmp_path / "new.img").read_bytes() == b"\xF6" * 1474560
    (tmp_path / "new.img").write_bytes(bytes(1000))
    result = preburn("boot", tmp_path / "plane.toml")
    assert (result.returncode, result.stderr) == (
        2, f"preburn: {tmp_path / 'plane.toml'}: slot.floppy: drive-a: {tmp_path / 'new.img'}: is "
           f"short: 1000 bytes, but 80 cylinders x 2 heads x 18 sectors of 512 bytes make 1474560; "
           f"make the image whole, or mend the geometry.\n")
