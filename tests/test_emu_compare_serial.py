"""A terminal's log of the real board beside the simulated console."""
from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from knowngood_bench import FULL, TIDEWATER

from emu.cli import group
from emu.compare.seriallog import lines_of
from emu.errors import InputError

BANNER = ["Tidewater 1.5, harbour tide-gauge logger", "512 KiB RAM",
          "Harbour office, tide desk. Type help for the commands.", "tw> "]


def compare(path: Path, *more: str) -> Any:
    return CliRunner().invoke(group, ["compare", str(FULL), "--serial", str(path), "--until",
                                      "tw> ", "--json", *more])


def found(path: Path, text: str, *more: str) -> dict[str, Any]:
    path.write_bytes(text.encode("latin-1"))
    result = compare(path, *more)
    assert result.exit_code in (0, 1), result.output
    tree = json.loads(result.stdout)
    assert tree["same"] is (result.exit_code == 0)
    return tree


def test_logs_that_show_the_same(tmp_path: Path) -> None:
    """Whatever ends the lines, with a start that is lost, or with more before it."""
    path = tmp_path / "board.log"
    for text in ("\r\n".join(BANNER), "\n".join(BANNER) + "\n", "\r".join(BANNER),
                 "\x1b[2J\x00noise\r\n" + "\r\n".join(BANNER), "\n".join(BANNER[1:]),
                 "\n".join(BANNER[:2])[:-4]):
        tree = found(path, text)
        assert tree["same"] and tree["lines_agree"] >= 1, text
    assert found(path, "\n".join(BANNER))["lines_agree"] == 4
    assert found(path, "\n".join(BANNER[1:]))["begins"] == [2, 1]


def test_where_the_texts_part(tmp_path: Path) -> None:
    path = tmp_path / "board.log"
    text = "\r\n".join(["boot loader", BANNER[0], "480 KiB RAM", *BANNER[2:]])
    tree = found(path, text)
    assert tree["begins"] == [1, 2] and tree["lines_agree"] == 1 and tree["line"] == 3
    assert (tree["simulated"], tree["board"]) == ("512 KiB RAM", "480 KiB RAM")
    record = json.loads((TIDEWATER / "good" / "full.json").read_text())
    t = next(t for t, line in record["console"]["sio.a"]["lines"] if line.startswith("512"))
    assert tree["seconds"] == pytest.approx(t / 6.144e6)
    result = CliRunner().invoke(group, ["compare", str(FULL), "--serial", str(path), "--until",
                                        "tw> "])
    assert f"the texts part in line 3 of {path}, column 1;" in result.output


def test_a_board_that_stops_early_is_told(tmp_path: Path) -> None:
    path = tmp_path / "board.log"
    path.write_text("\n".join(BANNER[:2]) + "\n")
    result = CliRunner().invoke(group, ["compare", str(FULL), "--serial", str(path), "--until",
                                        "tw> "])
    assert "The log ends there; the simulation goes on with 'Harbour office" in result.output


def test_another_text_altogether(tmp_path: Path) -> None:
    path = tmp_path / "board.log"
    path.write_text("quite another greeting\n")
    result = CliRunner().invoke(group, ["compare", str(FULL), "--serial", str(path), "--until",
                                        "tw> "])
    assert result.exit_code == 1 and result.output.startswith("not aligned: no line of ")


def test_lines_are_what_a_terminal_shows() -> None:
    text = "ab\bc\r\n\x1b[1mbold\x1b[0m  \n\n\x00x\x07y\tz"
    assert [line.text for line in lines_of(text)] == ["ac", "bold", "xy\tz"]
    assert [text[line.start] for line in lines_of(text)] == ["a", "\x1b", "\x00"]


def test_refused(tmp_path: Path) -> None:
    path = tmp_path / "board.log"
    path.write_text("\n\n \n")
    for more, why in (((), "holds no line of text"), (("--capture", str(path)), "one thing")):
        result = compare(path, *more)
        assert isinstance(result.exception, InputError) and why in str(result.exception)
    path.write_text("hello there\n")
    result = compare(path, "--channel", "sio.c")
    assert "there is no serial channel 'sio.c'" in str(result.exception)
