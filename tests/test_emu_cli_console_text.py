"""What `preburn boot` shows of a console: long noise shortened, the rest as it came."""
from __future__ import annotations

import random

import pytest

from emu.cli.console_text import MOST_LINES, ConsoleText, Repeats, Runs

WHERE = "--console FILE keeps them all"


def shown(text: str, piece: int = 0) -> str:
    """Pass a text on in pieces of some length, 0 for all at once."""
    out: list[str] = []
    filtered = ConsoleText(out.append, WHERE)
    for start in range(0, len(text), piece or len(text) or 1):
        filtered.feed(text[start:start + (piece or len(text))])
    filtered.end()
    return "".join(out)


@pytest.mark.parametrize("text", [
    "Tidewater 1.5\n512 KiB RAM\ntw> ", "-" * 79 + "\n" + " " * 60 + "|\n", "a\na\na\nb\n",
    "", "\n\n\n", "no end", "tw> \ntw> \ntw> ", "\x0c\x85page\n",
])
def test_what_a_program_means_is_shown_as_it_came(text: str) -> None:
    for piece in (0, 1, 3):
        assert shown(text, piece) == text


@pytest.mark.parametrize(("text", "expected"), [
    ("ÿ" * 31000, "ÿ" * 8 + " (x 31000) "),
    ("go\n" + "ÿ" * 9 + "on\n", "go\n" + "ÿ" * 8 + " (x 9) on\n"),
    ("U" * 101, "U" * 100 + " (x 101) "),
    ("boot\n" * 900, "boot\n" * 3 + "(that line x 900)\n"),
    ("boot\n" * 5 + "bo", "boot\n" * 3 + "(that line x 5)\nbo"),
    ("boot\n" * 4 + "bus\n", "boot\n" * 3 + "(that line x 4)\nbus\n"),
])
def test_noise_is_counted(text: str, expected: str) -> None:
    for piece in (0, 1, 7):
        assert shown(text, piece) == expected


def test_of_a_long_text_the_start_and_the_end_are_shown() -> None:
    lines = [f"{k} is a number\n" for k in range(5000)]
    text = shown("".join(lines), 100)
    assert text.startswith("".join(lines[:MOST_LINES]))
    assert text.endswith("".join(lines[-12:]))
    left = sum(map(len, lines[MOST_LINES:-12]))
    assert f"\n({left} characters left out here; {WHERE})\n" in text
    assert len(text.splitlines()) < MOST_LINES + 16


def test_pieces_make_no_difference() -> None:
    chance = random.Random(4)
    for _ in range(300):
        text = "".join(chance.choice(["a\n", "a", "b\n", "ÿ" * 5, "\n"])
                       for _ in range(chance.randrange(60)))
        assert shown(text, 1) == shown(text) == shown(text, 4)


def test_nothing_is_lost_that_is_not_counted() -> None:
    """Written out again, the counts give the text back."""
    out: list[str] = []
    runs = Runs(out.append)
    runs.feed("ÿ" * 20)
    runs.feed("x")
    assert "".join(out) == "ÿ" * 8 + " (x 20) x"
    out.clear()
    lines = Repeats(out.append)
    lines.feed("a\n" * 7 + "a")
    lines.end()
    assert "".join(out) == "a\n" * 3 + "(that line x 7)\na"
