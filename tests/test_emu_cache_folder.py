"""Where machine code lies when the usual places cannot be had: told in one line, once."""
from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from emu.errors import InputError
from emu.native.cache import cache_folder


@pytest.fixture
def nowhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A home that cannot be written, and a temporary folder in which somebody took our place."""
    (tmp_path / f"preburn-{os.getuid()}").write_text("taken")
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.setenv("HOME", "/proc/vanished")
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    yield tmp_path
    os.environ.pop("XDG_CACHE_HOME", None)


def test_a_folder_for_this_run_is_made_once_and_told(
        nowhere: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = cache_folder()
    assert folder.is_dir() and nowhere in folder.parents and folder.stat().st_mode & 0o077 == 0
    assert cache_folder() == folder  # and so for the processes that this one starts
    told = capsys.readouterr().err
    assert told.count("\n") == 1 and "set XDG_CACHE_HOME to a folder of yours." in told


def test_no_folder_at_all_is_one_line(nowhere: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tempfile, "tempdir", "/proc/vanished")
    with pytest.raises(InputError, match="no folder for machine code: neither /proc/vanished/"):
        cache_folder()

