"""Tidewater's file system on images, from the Python side."""
from __future__ import annotations

import random
import re
from datetime import datetime

import pytest

from emu.errors import InputError
from emu.media.geometry import FORMATS, Geometry
from emu.media.harbour import DIRECTORY_BLOCKS, Harbour
from emu.media.image import SectorImage, filled
from emu.media.mounting import make, mount, need

FIRST = 1 + DIRECTORY_BLOCKS


def disk(geometry: str = "360K") -> tuple[SectorImage, Harbour]:
    image = filled(FORMATS[geometry], 0xE5, "d.img")
    made = make(image, "tidewater", "pier-1")
    assert isinstance(made, Harbour)
    return image, made


def test_the_volume_sector_is_as_documented() -> None:
    image, _ = disk()
    assert image.block(0)[:28].hex() == (
        "54574644" "01" "09" "02" "28" "d002" "0100" "0400" "0000" "706965722d31" + "00" * 6)
    assert image.blocks(1, 4) == bytes(4 * 512)


def test_files_come_back() -> None:
    image, made = disk()
    rng = random.Random(5)
    contents = {f"log-{k}": rng.randbytes(rng.choice([0, 1, 511, 512, 513, 4096]))
                for k in range(40)}
    for name, data in contents.items():
        made.write(name, data)
    again = need(SectorImage(image.geometry, bytearray(image.data), "copy"))
    assert {entry.name: again.read(entry.name) for entry in again.entries()} == contents
    assert again.label == "pier-1"
    assert again.problems() == []


def test_an_entry_is_as_documented() -> None:
    image, made = disk()
    made.write("a", bytes([255, 255, 4]))
    assert image.block(1)[:32].hex() == (
        "61" + "00" * 11 + "01" "00" "0500" "0100" "03000000" "00000000" "0202" "00000000")
    assert made.blocks_of("a") == [FIRST]


def test_a_gap_is_used_again() -> None:
    _, made = disk()
    for name in "abc":
        made.write(name, bytes(2000))
    before = made.free()
    made.remove("b")
    assert made.free() == before + 4 * 512
    made.write("d", bytes(2049))  # five sectors do not fit where four were
    assert made.blocks_of("d")[0] == FIRST + 12
    made.write("e", bytes(2048))
    assert made.blocks_of("e")[0] == FIRST + 4
    assert made.problems() == []


def test_a_full_disk_and_a_full_directory_say_so() -> None:
    _, made = disk()
    with pytest.raises(InputError, match="needs a run of 716 sectors and the longest free one "
                                         "has 715; remove a file first"):
        made.write("big", bytes(716 * 512))
    for k in range(64):
        made.write(f"f{k}", b"")
    with pytest.raises(InputError, match="directory of 64 entries is full"):
        made.write("one-more", b"")


@pytest.mark.parametrize("name", ["", "UPPER", "thirteen-char", "a/b", ".hidden"])
def test_a_name_that_cannot_be(name: str) -> None:
    _, made = disk()
    with pytest.raises(InputError, match=re.escape(f"{name!r} is no name for Tidewater")):
        made.write(name, b"")


def test_a_changed_byte_is_noticed() -> None:
    image, made = disk()
    made.write("a", b"tide")
    image.put(FIRST, b"tidf")
    with pytest.raises(InputError, match="the bytes of 'a' add up to 01A7h and its entry says "
                                         "01A6h"):
        made.read("a")
    assert made.problems() == ["a: its sum differs"]


def test_crossing_runs_are_noticed() -> None:
    image, made = disk()
    made.write("a", bytes(1024))
    made.write("b", bytes(1024))
    raw = bytearray(image.block(1))
    raw[32 + 14] = FIRST + 1
    image.put(1, bytes(raw))
    assert made.problems() == ["b: shares sectors with a"]
    raw[14:16] = b"\xff\xff"
    image.put(1, bytes(raw))
    with pytest.raises(InputError, match="the directory entry of 'a' points beyond its room"):
        made.read("a")


def test_another_geometry_is_refused() -> None:
    image, _ = disk("360K")
    with pytest.raises(InputError, match="is for 40 cylinders, 2 heads and 9 sectors"):
        mount(SectorImage(Geometry(20, 2, 18), image.data, "d.img"))


def test_no_file_system() -> None:
    blank = filled(FORMATS["720K"], 0xE5, "d.img")
    assert mount(blank) is None
    with pytest.raises(InputError, match="d.img: holds no file system of fat12 or tidewater"):
        need(blank)


def test_sectors_of_another_size() -> None:
    with pytest.raises(InputError, match="tidewater needs sectors of 512 bytes"):
        make(filled(Geometry(77, 2, 8, 1024), 0xE5, "d.img"), "tidewater")


@pytest.mark.parametrize("date", ["2000-01-01 00:00:00", "2031-02-28 23:59:59",
                                  "2031-03-01 00:00:01", "2099-12-31 23:59:59"])
def test_dates_before_and_after_the_start_come_back(date: str) -> None:
    _, made = disk()
    made.write("log", b"", int(datetime.fromisoformat(f"{date}+00:00").timestamp()))
    assert made.entries()[0].when == date
