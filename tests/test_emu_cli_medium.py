"""``preburn medium`` as a builder uses it: images made, filled, looked into, and refused."""
from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from emu.cli.medium import command
from emu.errors import InputError


def medium(*arguments: object) -> str:
    done = CliRunner().invoke(command, [str(a) for a in arguments], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


def refused(*arguments: object) -> str:
    with pytest.raises(InputError) as error:
        medium(*arguments)
    assert "\n" not in str(error.value)
    return str(error.value)


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "d.img"
    medium("create", path, "--geometry", "720K", "--files", "tidewater", "--label", "pier-1")
    return path


def test_a_blank_disk(tmp_path: Path) -> None:
    path = tmp_path / "b.img"
    assert medium("create", path, "--geometry", "360K", "--fill", "E5") == (
        f"{path}: 360K, 368640 bytes\n")
    assert path.read_bytes() == b"\xe5" * 368640
    assert "no file system; 80 of 80 tracks hold one byte only" in medium("show", path)


def test_other_numbers(tmp_path: Path) -> None:
    path = tmp_path / "n.img"
    medium("create", path, "--geometry", "40x1x16x256")
    shown = json.loads(medium("show", path, "--geometry", "40x1x16x256", "--json", "--tracks"))
    assert (shown["sectors"], shown["sector_size"], shown["rate"]) == (16, 256, 250)
    assert len(shown["tracks"]) == 40
    assert shown["tracks"][39]["sectors"] == list(range(1, 17))
    assert "163840 bytes fit no format" in refused("show", path)


@pytest.mark.parametrize("kind", ["fat12", "tidewater"])
def test_files_go_in_and_out(image: Path, tmp_path: Path, kind: str) -> None:
    medium("format", image, "--files", kind)
    source = tmp_path / "source.bin"
    source.write_bytes(bytes(range(256)) * 9)
    medium("import", image, source, "--as", "tide.bin")
    assert "2304 " in medium("list", image)
    (tmp_path / "out").mkdir()
    medium("export", image, "--to", tmp_path / "out")
    (out,) = (tmp_path / "out").iterdir()
    assert out.read_bytes() == source.read_bytes()
    assert out.name.lower() == "tide.bin"
    assert "is there already; say --replace" in refused("export", image, "--to", tmp_path / "out")
    assert "is there already; say --replace" in refused("import", image, source, "--as",
                                                        "tide.bin")
    source.write_bytes(b"")
    medium("import", image, source, "--as", "tide.bin", "--replace")
    medium("export", image, "--to", out, "--replace", out.name)
    assert out.read_bytes() == b""
    medium("remove", image, out.name)
    assert json.loads(medium("list", image, "--json"))["files"] == []


def test_dump(image: Path, tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"tide")
    medium("import", image, tmp_path / "a")
    by_name, by_block = medium("dump", image, "--name", "a"), medium("dump", image, "--block", 5)
    assert by_name == by_block == medium("dump", image, "--track", 0, "--sector", 6)
    assert by_name.startswith("block 5: cylinder 0, head 0, sector 6\n  0000  74 69 64 65 00")
    whole = json.loads(medium("dump", image, "--track", 3, "--head", 1, "--json"))["sectors"]
    assert [row["place"] for row in whole] == [[3, 1, n] for n in range(1, 10)]


def test_a_refused_import_changes_nothing(image: Path, tmp_path: Path) -> None:
    before = image.read_bytes()
    (tmp_path / "good").write_bytes(b"x")
    (tmp_path / "BAD NAME").write_bytes(b"x")
    refused("import", image, tmp_path / "good", tmp_path / "BAD NAME")
    (tmp_path / "big").write_bytes(bytes(800_000))
    refused("import", image, tmp_path / "good", tmp_path / "big")
    assert image.read_bytes() == before


@pytest.mark.parametrize(("arguments", "message"), [
    (("show", "nosuch.img"), "nosuch.img: no such file"),
    (("create", "x.img"), "create needs --geometry"),
    (("create", "x.img", "--geometry", "7K"), "format takes 360K, 720K, 1.2M, 1.44M"),
    (("create", "x.img", "--geometry", "80x2x9"), "--geometry takes a format such as 720K"),
    (("create", "x.img", "--geometry", "80x2x60x512"), "take fewer or a higher rate"),
    (("create", "x.img", "--geometry", "99x2x9x512"), "whole number from 1 to 85"),
    (("create", "x.img", "--geometry", "720K", "--fill", "1FF"), "--fill takes a byte in hex"),
    (("create", "x.img", "--geometry", "720K", "--label", "a"), "--label names a file system"),
    (("create", "nosuch/x.img", "--geometry", "720K"), "cannot be written"),
    (("dump", "d.img"), "dump takes one of --track, --block and --name"),
    (("dump", "d.img", "--track", "80"), "there is no cylinder 80; they run from 0 to 79"),
    (("dump", "d.img", "--track", "0", "--sector", "10"), "there is no sector 10"),
    (("dump", "d.img", "--block", "1440"), "there is no sector 1440; the last one is 1439"),
    (("dump", "d.img", "--block", "-1"), "there is no sector -1"),
    (("export", "d.img", "no"), "there is no file 'no'"),
    (("remove", "d.img", "no"), "there is no file 'no'"),
    (("import", "d.img", "nosuch"), "nosuch: no such file"),
    (("show", "d.img", "--geometry", "1.44M"), "737280 bytes, but 80 cylinders x 2 heads x 18"),
])
def test_mistakes_give_one_line(image: Path, arguments: tuple[str, ...], message: str,
                                monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(image.parent)
    assert message in refused(*arguments)
    assert os.listdir(image.parent) == ["d.img"]


def test_a_read_only_image_stays(image: Path) -> None:
    before = image.read_bytes()
    image.chmod(0o444)
    assert "is read-only; make it writable" in refused("format", image, "--files", "fat12")
    assert image.read_bytes() == before
