"""A user's file is replaced whole or not at all."""
from __future__ import annotations

import fcntl
import os
from pathlib import Path

import pytest

from emu.errors import InputError
from emu.files.atomic import check_output, write_atomic


def test_a_file_is_replaced_and_keeps_its_permissions(tmp_path: Path) -> None:
    path = tmp_path / "disk.img"
    path.write_bytes(b"old")
    path.chmod(0o640)
    write_atomic(path, b"new")
    assert path.read_bytes() == b"new"
    assert path.stat().st_mode & 0o777 == 0o640
    assert os.listdir(tmp_path) == ["disk.img"]


def test_a_link_is_followed(tmp_path: Path) -> None:
    (tmp_path / "real.img").write_bytes(b"old")
    (tmp_path / "link.img").symlink_to("real.img")
    write_atomic(tmp_path / "link.img", b"new")
    assert (tmp_path / "link.img").is_symlink()
    assert (tmp_path / "real.img").read_bytes() == b"new"


def test_a_read_only_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "disk.img"
    path.write_bytes(b"old")
    path.chmod(0o444)
    with pytest.raises(InputError) as error:
        write_atomic(path, b"new", "medium")
    assert str(error.value) == (f"{path}: is read-only; make it writable (chmod u+w) or name "
                                f"another medium.")
    assert path.read_bytes() == b"old"


def test_a_full_disk_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "disk.img"
    path.write_bytes(b"old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="the disk is full; make room, or name another "
                       "place; the medium stays as it was"):
        write_atomic(path, b"new", "medium")
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["disk.img"]


def test_drafts_of_killed_processes_go_with_the_next_write(tmp_path: Path) -> None:
    path = tmp_path / "disk.img"
    names = (".disk.img.preburn-deadbeef", ".disk.img.preburn-held0000",
             ".disk.img.preburn-fresh000", ".disk.img.backup12",
             ".other.img.preburn-deadbeef", ".disk.img.preburn-toolong00")
    for name in names:
        (tmp_path / name).write_bytes(b"half")
        if "fresh" not in name:
            os.utime(tmp_path / name, (0, 0))
    (tmp_path / ".disk.img.preburn-link0000").symlink_to("disk.img")
    with (tmp_path / names[1]).open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        write_atomic(path, b"new")
    assert sorted(os.listdir(tmp_path)) == sorted(
        ["disk.img", ".disk.img.preburn-link0000", *names[1:]])
    assert path.read_bytes() == b"new"


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"is a folder; name a file in it for the record\."):
        write_atomic(tmp_path, b"new", "record")
    with pytest.raises(InputError, match="is no regular file"):
        write_atomic(Path("/dev/null"), b"new")
    with pytest.raises(InputError, match=r"there is no folder .*/none; make it, or name another\."):
        write_atomic(tmp_path / "none/good.json", b"new", "record")


def test_a_file_of_another_kind_is_not_written_over(tmp_path: Path) -> None:
    path = tmp_path / "machine.toml"
    path.write_bytes(b"[slot.cpu]\n")
    with pytest.raises(InputError) as error:
        check_output(path, "record", b"known-good")
    assert str(error.value) == (f"{path}: is there already and is no record; name another file "
                                f"for the record, or remove that one.")
    path.write_bytes(b'{"format": "known-good"}')
    check_output(path, "record", b"known-good")
    path.write_bytes(b"")
    for free in (path, tmp_path / "new.json", Path("/dev/null")):
        check_output(free, "record", b"known-good")
    for wrong, words in ((tmp_path, "is a folder"), (tmp_path / "none/a", "there is no folder")):
        with pytest.raises(InputError, match=words):
            check_output(wrong, "record", b"known-good")
