"""FAT12 (ECMA-107) held against mtools, in both directions."""
from __future__ import annotations

import os
import random
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from emu.errors import InputError
from emu.media.fat12 import Fat12
from emu.media.geometry import FORMATS, of_size
from emu.media.image import SectorImage, filled
from emu.media.mounting import make, mount, need

mtools = pytest.mark.skipif(shutil.which("mformat") is None, reason="mtools is not installed")
SIZES = {"360K": "360", "720K": "720", "1.2M": "1200", "1.44M": "1440"}


def tool(*arguments: object, stdin: bytes | None = None) -> bytes:
    environment = dict(os.environ, TZ="UTC", SOURCE_DATE_EPOCH="1930000000")
    done = subprocess.run([str(a) for a in arguments], capture_output=True, check=True,
                          input=stdin, env=environment, timeout=60)
    return done.stdout


def read_image(path: Path) -> SectorImage:
    data = bytearray(path.read_bytes())
    return SectorImage(of_size(len(data), path), data, str(path))


def disk(name: str = "720K") -> tuple[SectorImage, Fat12]:
    image = filled(FORMATS[name], 0xF6, "d.img")
    made = make(image, "fat12", "harbour")
    assert isinstance(made, Fat12)
    return image, made


@mtools
@pytest.mark.parametrize("name", FORMATS)
def test_the_volume_is_laid_out_as_by_mtools(name: str, tmp_path: Path) -> None:
    tool("mformat", "-C", "-i", tmp_path / "m.img", "-f", SIZES[name], "::")
    theirs, (ours, _) = read_image(tmp_path / "m.img"), disk(name)
    assert ours.block(0)[11:36] == theirs.block(0)[11:36]  # every parameter of the volume
    assert ours.block(1) == theirs.block(1)  # the start of the table


@mtools
def test_mtools_reads_what_we_write(tmp_path: Path) -> None:
    image, made = disk()
    rng = random.Random(12)
    contents = {f"F{k}.DAT": rng.randbytes(rng.choice([0, 1, 512, 1024, 1025, 20000]))
                for k in range(30)}
    for name, data in contents.items():
        made.write(name, data, 1_930_000_001)
    for name in ("F3.DAT", "F7.DAT", "F8.DAT"):
        made.remove(name)
        del contents[name]
    contents["LAST.TXT"] = rng.randbytes(50_000)  # in the holes, so in pieces
    made.write("last.txt", contents["LAST.TXT"])
    path = tmp_path / "d.img"
    path.write_bytes(image.data)
    for name, data in contents.items():
        assert tool("mtype", "-i", path, f"::{name}") == data
    listing = tool("mdir", "-i", path, "::").decode()
    assert "Volume in drive : is HARBOUR" in listing
    assert re.search(r"F1 +DAT .* 2031-02-27", listing)
    free = int(re.search(r"([\d ]+) bytes free", listing)[1].replace(" ", ""))  # type: ignore[index]
    assert free == made.free()
    assert made.problems() == []


@mtools
def test_we_read_what_mtools_writes(tmp_path: Path) -> None:
    path = tmp_path / "m.img"
    tool("mformat", "-C", "-i", path, "-f", "1440", "-v", "PIER", "::")
    contents = {"README.TXT": b"tide\r\n", "BIG.BIN": random.Random(3).randbytes(300_000),
                "EMPTY": b"", "LOGS/JANUARY.LOG": bytes(2000)}
    tool("mmd", "-i", path, "::LOGS")
    for name, data in contents.items():
        tool("mcopy", "-i", path, "-", f"::{name}", stdin=data)
    tool("mcopy", "-i", path, "-", "::a rather long name.text", stdin=b"long")
    tool("mdel", "-i", path, "::EMPTY")
    del contents["EMPTY"]
    found = need(read_image(path))
    listed = {entry.name: entry for entry in found.entries()}
    assert set(listed) == {*contents, "LOGS", "ARATHE~1.TEX"}
    assert listed["LOGS"].folder
    assert {name: found.read(name) for name in contents} == contents
    assert found.read("arathe~1.tex") == b"long"
    assert found.label == "PIER"
    assert found.problems() == []
    found.remove("ARATHE~1.TEX")  # its long name goes with it
    assert isinstance(found, Fat12)
    path.write_bytes(found.image.data)
    assert b"rather" not in tool("mdir", "-i", path, "::")


@mtools
def test_blocks_of_a_file_are_where_mtools_says(tmp_path: Path) -> None:
    image, made = disk("360K")
    made.write("A", bytes(3000))
    made.write("B", bytes(1500))
    (tmp_path / "d.img").write_bytes(image.data)
    shown = tool("mshowfat", "-i", tmp_path / "d.img", "::B").decode()
    first = int(re.search(r"<(\d+)", shown)[1])  # type: ignore[index]
    assert made.blocks_of("B")[0] == made.first + (first - 2) * made.cluster


def test_a_full_disk_and_a_full_folder_say_so() -> None:
    _, made = disk("360K")
    with pytest.raises(InputError, match="'BIG' needs 362497 bytes and 362496 are free"):
        made.write("BIG", bytes(362497))
    made.write("BIG", bytes(362496 - 1024))
    assert made.free() == 1024
    for k in range(110):
        made.write(f"F{k}", b"")
    with pytest.raises(InputError, match="root folder of 112 entries is full"):
        made.write("MORE", b"")


@pytest.mark.parametrize("name", ["", "NINECHARS", "A.LONG", "A B", "a/b", "X."])
def test_a_name_that_cannot_be(name: str) -> None:
    _, made = disk()
    with pytest.raises(InputError, match="is no FAT12 name"):
        made.write(name, b"")


def test_damage_is_named() -> None:
    image, made = disk()
    made.write("A", bytes(4000))
    made.write("B", bytes(4000))
    raw = bytearray(image.block(1))
    raw[3:6] = bytes([0x02, 0x40, 0x00])  # cluster 2 leads to itself
    image.put(1, bytes(raw))
    again = need(image)
    with pytest.raises(InputError, match="the chain of clusters of 'A' is broken"):
        again.read("A")
    assert again.problems() == ["table 2 differs from table 1",
                                "A: its chain of clusters is broken"]


@pytest.mark.parametrize("seed", range(40))
def test_random_damage_gives_one_line_or_a_result(seed: int) -> None:
    image, made = disk("360K")
    for k in range(5):
        made.write(f"F{k}", bytes(3000 * k))
    rng = random.Random(seed)
    for _ in range(30):
        image.data[rng.choice([rng.randrange(11, 40), rng.randrange(512, 7000)])] = \
            rng.randrange(256)
    try:
        found = mount(image)
        if found is not None:
            found.problems()
            for entry in found.entries():
                if not entry.folder:
                    found.read(entry.name)
    except InputError as error:
        assert str(error).startswith("d.img: ")
        assert "\n" not in str(error)
