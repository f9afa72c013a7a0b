"""docs/tutorial.md followed word for word: what it says to write, change and type, and what comes.

A fence with a file's name is that file; a diff changes one; sh is typed ("sh fails": its exit
status is not 0), and the text behind it is what comes, "..." for whatever is left out.
"""
from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import build_roms
import pytest

from emu.native.cache import cache_folder

ROOT = Path(__file__).parent.parent
TUTORIAL = ROOT / "docs/tutorial.md"
TOOLS = build_roms.toolchain_folder() / "bin"
FENCE = re.compile(r"^```(\w+) ?(\S*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def program(folder: Path, name: str, words: str) -> None:
    (folder / name).write_text(f"#!/bin/sh\n{words}\n")
    (folder / name).chmod(0o755)


def installed(folder: Path) -> dict[str, str]:
    """Stand in for preburn installed: its commands run this source.

    Nor is anything installed from the network: an environment that is made has links to these
    programs, and a pip that has nothing to do.
    """
    folder.mkdir()
    python = shlex.quote(sys.executable)
    plugin = "" if _registered() else "-p emu.pytestplugin"
    program(folder, "preburn", f'exec {python} -m emu.cli "$@"')
    program(folder, "pytest", f'exec {python} -m pytest {plugin} -p no:cacheprovider "$@"')
    program(folder, "pip", ":")
    program(folder, "python3", f'''[ "$1 $2" = "-m venv" ] || exec {python} "$@"
mkdir -p "$3/bin" && for n in preburn pytest pip; do ln -sf {shlex.quote(str(folder))}/$n "$3/bin"
done''')
    path = os.pathsep.join([str(folder), str(TOOLS), "/usr/local/bin", "/usr/bin", "/bin"])
    return {**os.environ, "PATH": path, "PYTHONPATH": str(ROOT),
            "XDG_CACHE_HOME": str(cache_folder().parent.parent)}


def _registered() -> bool:
    from importlib.metadata import entry_points

    return any(e.name == "preburn" for e in entry_points(group="pytest11"))


def changed(folder: Path, diff: str) -> None:
    """Change a file as a diff says: the lines with a blank or a minus stand there once."""
    name, _, hunk = diff.removeprefix("--- ").partition("\n")
    lines = hunk.splitlines(keepends=True)
    before, after = ("".join(line[1:] for line in lines if line[0] in kept)
                     for kept in (" -", " +"))
    text = "\n" + (folder / name).read_text()
    assert text.count("\n" + before) == 1, (name, before, text)
    (folder / name).write_text(text.replace("\n" + before, "\n" + after)[1:])


def agree(shown: str, told: str) -> str:
    """Hold what came against what the page has; give the first line that is missing, "" for none.

    "..." alone stands for any lines, at a line's end for the rest of it.
    """
    lines = [line.rstrip() for line in shown.splitlines()]
    at, free = 0, False
    for want in map(str.rstrip, told.splitlines()):
        if want == "...":
            free = True
            continue
        found = next((k for k in range(at, len(lines) if free else at + 1)
                      if k < len(lines) and fits(lines[k], want)), None)
        if found is None:
            return want
        at, free = found + 1, False
    return "" if free or at == len(lines) else f"more came: {lines[at]}"


def fits(line: str, want: str) -> bool:
    return line.startswith(want[:-3]) if want.endswith("...") else line == want


class Reader:
    """Who follows the page: stands in a folder, has typed something, saw what came."""

    def __init__(self, folder: Path, variables: dict[str, str]) -> None:
        self.folder, self.variables, self.shown = folder, variables, ""

    def types(self, words: str, fails: bool) -> None:
        place = self.folder / ".where"
        words = words.replace("PREBURN=PATH", f"PREBURN={shlex.quote(str(ROOT))}")
        done = subprocess.run(["bash", "-ec", f"{words}\npwd > {shlex.quote(str(place))}"],
                              cwd=self.folder, env=self.variables, text=True,
                              capture_output=True, timeout=900, check=False)
        assert (done.returncode != 0) == fails, (words, done.stdout, done.stderr)
        self.shown = done.stdout
        if place.exists():
            self.folder = Path(place.read_text().strip())
            place.unlink()

    def does(self, kind: str, name: str, text: str) -> None:
        if kind == "sh":
            self.types(text, name == "fails")
        elif kind == "text":
            missing = agree(self.shown, text)
            assert not missing, f"{missing!r} is not what came:\n{self.shown}"
        elif kind == "diff":
            changed(self.folder, text)
        else:
            assert name, f"a fence of {kind} that is nothing to be done"
            (self.folder / name).write_text(text)


def test_pages_and_answers_are_held_against_each_other() -> None:
    assert agree("a\nb\nc\n", "a\n...\nc\n") == "" and agree("a\nb\n", "a\n") == "more came: b"
    assert agree("a\nb\n", "a\nc\n") == "c" and agree("ab 1\n", "ab ...\n") == ""
    assert agree("a\nb\n", "...\na\n...\nc\n...\n") == "c"


def test_a_diff_changes_its_place_alone(tmp_path: Path) -> None:
    (tmp_path / "f").write_text("one\ntwo\nthree\n")
    changed(tmp_path, "--- f\n two\n+and\n")
    assert (tmp_path / "f").read_text() == "one\ntwo\nand\nthree\n"
    changed(tmp_path, "--- f\n-one\n+1\n two\n")
    assert (tmp_path / "f").read_text() == "1\ntwo\nand\nthree\n"
    with pytest.raises(AssertionError):
        changed(tmp_path, "--- f\n-wo\n+2\n")


@pytest.mark.skipif(not (TOOLS / "z80-unknown-elf-as").exists() or not shutil.which("make"),
                    reason="no cross assembler, or no make")
def test_the_tutorial_word_for_word(tmp_path: Path) -> None:
    reader = Reader(tmp_path, installed(tmp_path / "programs"))
    steps = FENCE.findall(TUTORIAL.read_text())
    assert sum(kind == "sh" for kind, _, _ in steps) >= 10
    for kind, name, text in steps:
        reader.does(kind, name, text)
