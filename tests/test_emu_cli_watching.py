"""Booting again at every change: which files count, what is waited for, what is told."""
from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import pytest

from emu.backplane.named_files import named_files
from emu.cli import watching
from emu.cli.watching import await_change, difference
from emu.diagnosis.verdict import Verdict

ROOT = Path(__file__).parent.parent
MACHINE = """
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"
[slot.memory]
card = "plain-memory"
image = "rom.bin"
"""
HALT = bytes.fromhex("f3 76 18fe")  # di; halt
LOOP = bytes.fromhex("f3 18fe")  # di; jr to itself


def test_every_file_that_the_machine_is_made_of(tmp_path: Path) -> None:
    (tmp_path / "base.toml").write_text(MACHINE + 'symbols = ["rom.map", "more.map"]\n')
    (tmp_path / "boards").mkdir()
    (tmp_path / "boards/counter.toml").write_text('card = "z80-ctc"\n')
    file = tmp_path / "machine.toml"
    file.write_text('extends = "base.toml"\n[slot.memory]\nram-load = { p = "p.bin@0x8000" }\n'
                    '[slot.ctc]\ncard = "boards/counter.toml"\nbase = 0x28\n'
                    '[slot.out]\ncard = "mine.py"\nfitted = false\n')
    found = [path.relative_to(tmp_path).as_posix() for path in named_files(file)]
    assert found == ["machine.toml", "base.toml", "rom.bin", "rom.map", "more.map", "p.bin",
                     "boards/counter.toml"]
    file.write_text('extends = "base.toml"\n[slot')
    assert named_files(file) == [file]


def test_a_file_that_is_built_anew_is_waited_for(tmp_path: Path,
                                                 monkeypatch: pytest.MonkeyPatch) -> None:
    """The linker takes its output away first; what counts is the next one, once it stands."""
    rom, looks = tmp_path / "rom.bin", iter(range(100))
    rom.write_bytes(LOOP)

    def sleep(_: float) -> None:
        k = next(looks)
        if k == 2:
            rom.unlink()
        elif k == 8:
            rom.write_bytes(HALT[:1])
        elif k == 9:
            rom.write_bytes(HALT)

    monkeypatch.setattr(watching.time, "sleep", sleep)
    assert await_change(watching._marks([rom])) == [rom]
    assert rom.read_bytes() == HALT and next(looks) == 11  # one look later it stood still


def test_a_file_that_is_gone_for_good_is_told(tmp_path: Path,
                                              monkeypatch: pytest.MonkeyPatch) -> None:
    rom = tmp_path / "rom.bin"
    rom.write_bytes(LOOP)
    marks = watching._marks([rom])
    rom.unlink()
    monkeypatch.setattr(watching.time, "sleep", lambda _: None)
    assert await_change(marks) == [rom]


def test_how_verdicts_differ() -> None:
    hung = Verdict("hung", "it waits.", "no-tick")
    assert difference(None, hung) == []
    assert difference(hung, hung) == ["The verdict is the same as before."]
    assert difference(hung, Verdict("reached", "the text came.")) == [
        "The verdict has changed:", "  before: hung, cause no-tick: it waits.",
        "  now:    reached: the text came."]


class Watched:
    """A `boot --watch` under way; ``until`` reads its words up to a text."""

    def __init__(self, folder: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "emu.cli", "boot", "--watch", "--limit", "0.5"], cwd=folder,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, bufsize=1,
            env={**os.environ, "PYTHONPATH": str(ROOT)})
        assert self.process.stdout is not None
        self.out: IO[str] = self.process.stdout
        self.timer = threading.Timer(300, self.process.kill)  # a hang ends as end of file
        self.timer.start()

    def until(self, text: str) -> str:
        said = ""
        while text not in said:
            line = self.out.readline()
            assert line, said
            said += line
        return said


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Watched]:
    (tmp_path / "machine.toml").write_text(MACHINE)
    (tmp_path / "rom.bin").write_bytes(HALT)
    watched = Watched(tmp_path)
    yield watched
    watched.timer.cancel()
    if watched.process.poll() is None:
        watched.process.kill()
    watched.process.wait()
    watched.out.close()


def test_it_boots_again_at_every_change(session: Watched, tmp_path: Path) -> None:
    assert "verdict: halted" in session.until("watching 2 files")
    (tmp_path / "rom.bin").write_bytes(LOOP)
    said = session.until("watching")
    assert f"changed: {'rom.bin'}\n" in said
    assert "The verdict has changed:\n  before: halted" in said and "  now:    hung" in said
    (tmp_path / "machine.toml").write_text(MACHINE + "oops = 1\n")
    said = session.until("watching")
    assert "the card plain-memory has no jumper 'oops'" in said and "Traceback" not in said
    (tmp_path / "machine.toml").write_text(MACHINE + "ram-size = 0x4000\n")
    assert "The verdict is the same as before." in session.until("watching")
    session.process.send_signal(signal.SIGINT)
    assert session.process.wait() == 1  # as the last boot ended


@pytest.mark.parametrize(("words", "told"), [
    ("roms/tidewater/full.toml --watch --json", "--watch is for people; leave --json out."),
    ("none.toml --watch", "none.toml: no such file; check the backplane file path."),
    ("roms/tidewater/full.toml --watch --script none", "none: no such file; check the script "
     "path."),
    ("roms/tidewater/full.toml --watch --limit soon", "--limit takes seconds such as 10 or 0.5, "
     "not 'soon'.")])
def test_what_no_change_of_a_file_would_mend_is_refused(preburn, words: str, told: str) -> None:
    done = preburn("boot", *words.split())
    assert (done.returncode, done.stderr) == (2, f"preburn: {told}\n")
