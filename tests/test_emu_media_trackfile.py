"""Track images: what a raw image cannot hold, through files, the controller and Tidewater."""
from __future__ import annotations

import json
import random
from fractions import Fraction
from pathlib import Path

import pytest
from click.testing import CliRunner

from emu.backplane.description import load
from emu.cli.medium import command
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.media.create import Wish, new_disk
from emu.media.disk import Disk
from emu.media.geometry import FORMATS, Geometry
from emu.media.mounting import make, need
from emu.media.track import lay, sectors
from emu.media.trackfile import MAGIC, pack, unpack
from emu.run.kept_media import keep_media
from emu.run.script import Step
from emu.run.session import Session
from emu.run.texts import keys

TIDEWATER = Path(__file__).parent.parent / "roms" / "tidewater"
HERE = Path("d.tracks")


def medium(*arguments: object) -> str:
    done = CliRunner().invoke(command, [str(a) for a in arguments], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


def tidewater(image: Path, *sends: str) -> str:
    """Boot Tidewater with a disk, type each text at a prompt, keep the disk."""
    path = image.with_suffix(".toml")
    path.write_text(f'extends = "{TIDEWATER / "floppy.toml"}"\n[slot.floppy]\ndrive-a = {{ size = '
                    f'"3.5", medium = "{image.name}", blank = true, geometry = "720K" }}\n')
    prompt = Step("expect", b"tw> ", Fraction(100))
    steps = [prompt]
    for text in sends:
        steps += [Step("send", keys(text)), prompt]
    session = Session(Machine(load(path)), None, Fraction(100), steps)
    session.run()
    assert session.failed_step is None
    keep_media(session.machine)
    return session.console.channels["sio.a"].text.decode("latin-1")


@pytest.mark.parametrize("geometry", [
    FORMATS["360K"], Geometry(3, 2, 5, 1024, interleave=2, skew=1),
    Geometry(2, 1, 26, 128, rate=500, encoding="fm", gap3=27)])
def test_what_is_packed_comes_out(geometry: Geometry) -> None:
    rng = random.Random(geometry.sectors)
    tracks = {c * 2 + h: lay(geometry, c, h, rng.randbytes(geometry.track_bytes))
              for c in range(2) for h in range(geometry.heads)}
    assert unpack(pack(geometry, tracks), HERE) == (geometry, tracks)
    assert unpack(pack(None, {}), HERE) == (None, {})


@pytest.mark.parametrize("seed", range(60))
def test_damage_gives_one_line(seed: int) -> None:
    rng = random.Random(seed)
    geometry = FORMATS["360K"]
    good = bytearray(pack(geometry, {0: lay(geometry, 0, 0, bytes(geometry.track_bytes))}))
    if seed % 2:
        del good[rng.randrange(len(MAGIC), len(good)):]
    for _ in range(seed % 5):
        if len(good) > len(MAGIC):
            good[rng.randrange(len(MAGIC), len(good))] = rng.randrange(256)
    try:
        unpack(bytes(good), HERE)
    except InputError as error:
        assert str(error).startswith("d.tracks: ")
        assert "\n" not in str(error)


def test_bad_sectors_are_shown_and_refused(tmp_path: Path) -> None:
    path = tmp_path / "d.tracks"
    medium("create", path, "--geometry", "720K", "--interleave", 2, "--bad", "3/0/5",
           "--bad", "4/1/2:id", "--bad", "5/0/9:missing")
    shown = json.loads(medium("show", path, "--json", "--tracks"))
    assert shown["order"] == [1, 6, 2, 7, 3, 8, 4, 9, 5]
    assert [(b["cylinder"], b["head"], b["sector"], b["trouble"]) for b in shown["bad_sectors"]] \
        == [(3, 0, 5, "its data have a bad CRC"), (4, 1, 2, "its ID has a bad CRC")]
    assert shown["missing_sectors"] == [[5, 0, 9]]
    assert 9 not in shown["tracks"][10]["sectors"]
    for arguments in (("dump", path, "--track", 3, "--sector", 5),
                      ("convert", path, tmp_path / "d.img")):
        with pytest.raises(InputError, match="cylinder 3, head 0, sector 5 cannot be read"):
            medium(*arguments)


def test_files_on_tracks(tmp_path: Path) -> None:
    path, source = tmp_path / "d.tracks", tmp_path / "a.bin"
    source.write_bytes(random.Random(1).randbytes(5000))
    medium("create", path, "--geometry", "360K", "--files", "fat12", "--skew", 2)
    medium("import", path, source)
    medium("convert", path, tmp_path / "d.img")
    assert need(Disk.open(tmp_path / "d.img", None).image).read("A.BIN") == source.read_bytes()
    tracks = Disk.open(path, None).tracks
    assert tracks is not None
    assert all(s.id_good and s.data_good for t in tracks.values() for s in sectors(t))
    medium("convert", tmp_path / "d.img", tmp_path / "e.tracks")
    assert need(Disk.open(tmp_path / "e.tracks", None).image).read("A.BIN") == source.read_bytes()


def test_an_unformatted_disk_stays_one_until_it_is_formatted(tmp_path: Path) -> None:
    path = tmp_path / "d.tracks"
    medium("create", path, "--geometry", "720K", "--unformatted")
    assert "unformatted: 160 tracks" in medium("show", path)
    with pytest.raises(InputError, match="is not formatted"):
        medium("format", path, "--files", "fat12")
    assert "the disk is not formatted" in tidewater(path, r"disk attach\r")
    assert "attached: a Tidewater disk" in tidewater(path, r"disk make\r")
    held = Disk.open(path, None)
    assert held.tracks is not None
    assert held.image.unreadable == {}
    assert need(held.image).kind == "tidewater"


def test_the_driver_meets_a_bad_sector(tmp_path: Path) -> None:
    path = tmp_path / "d.tracks"
    disk = new_disk(path, Wish("720K", files="tidewater"))
    files = need(disk.image)
    for name in ("before", "after"):
        files.write(name, b"tide\n" * 300)
    disk.save()
    at = disk.image.where(files.blocks_of("after")[1])
    disk.spoil(*at, "data")
    disk.save()
    text = tidewater(path, r"disk attach\r", r"disk show after\r", r"disk show before\r")
    assert "a sector cannot be used" in text
    assert text.count("tide\r\n") == 300
    with pytest.raises(InputError, match="its data have a bad CRC"):
        need(Disk.open(path, None).image).read("after")


@pytest.mark.parametrize(("arguments", "message"), [
    (("x.img", "--geometry", "720K", "--bad", "1/1/1"), "let the name end in .tracks"),
    (("x.img", "--geometry", "720K", "--interleave", "2"), "let the name end in .tracks"),
    (("x.img", "--geometry", "720K", "--unformatted"), "let the name end in .tracks"),
    (("x.tracks", "--geometry", "720K", "--bad", "1-1-1"), "--bad takes CYLINDER/HEAD/SECTOR"),
    (("x.tracks", "--geometry", "720K", "--bad", "1/1/1:worn"), "--bad takes CYLINDER/HEAD/SEC"),
    (("x.tracks", "--geometry", "720K", "--bad", "1/1/10"), "there is no sector 10"),
    (("x.tracks", "--geometry", "720K", "--unformatted", "--files", "fat12"), "has no sectors"),
    (("x.tracks", "--geometry", "720K", "--interleave", "64"), "interleave takes a whole number"),
])
def test_mistakes_give_one_line(tmp_path: Path, arguments: tuple[str, ...], message: str,
                                monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match=message.replace("/", ".")) as error:
        medium("create", *arguments)
    assert "\n" not in str(error.value)
    assert list(tmp_path.iterdir()) == []


def test_make_says_when_a_disk_is_not_formatted() -> None:
    disk = new_disk(HERE, Wish("720K", unformatted=True))
    again = Disk.of_tracks(HERE, disk.image.geometry, {})
    with pytest.raises(InputError, match="d.tracks: is not formatted"):
        make(again.image, "tidewater")
