"""Send/expect scripts: the statements, and mistakes with their line."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emu.errors import InputError
from emu.run.script import Step, read_script, sends_of
from emu.run.texts import keys


def script(folder: Path, text: bytes) -> list[Step]:
    path = folder / "s.txt"
    path.write_bytes(text)
    return read_script(path)


def test_statements(tmp_path: Path) -> None:
    steps = script(tmp_path, b'# a comment\nchannel sio.b\nsend "ls # no comment\\r"  # one\n'
                             b'expect "tw> " within 20 ms\nexpect "a\\"b"\nsilence 0.2 s\n'
                             b"wait 3 s\n")
    assert [(s.kind, s.text, s.seconds) for s in steps] == [
        ("channel", b"sio.b", 0), ("send", b"ls # no comment\r", 0),
        ("expect", b"tw> ", Fraction(1, 50)), ("expect", b'a"b', 30),
        ("silence", b"", Fraction(1, 5)), ("wait", b"", 3)]
    assert steps[1].place.endswith("s.txt:3")


@pytest.mark.parametrize(("text", "message"), [
    (b"typo 3\n", "FILE:1: 'typo' is no statement; known are channel, send, expect, silence, "
                  "wait, at, eject, insert, do, set, press, hold, release, break."),
    (b"press button\n", "FILE:1: press takes nmi or reset, not 'button'."),
    (b"break off\n", 'FILE:1: a time is written as "0.5 s" or "20 ms", not \'off\'.'),
    (b'send "a" with luck\n', 'FILE:1: a character sent wrongly reads: send "x" with parity error, '
                              "or with framing error."),
    (b"\nsend ls\n", 'FILE:2: a text in double quotes belongs here, such as "ls\\r".'),
    (b'send "a" b\n', "FILE:1: nothing may stand behind the text of send, not 'b'."),
    (b"wait long\n", 'FILE:1: a time is written as "0.5 s" or "20 ms", not \'long\'.'),
    (b'expect ""\n', "FILE:1: expect needs a text that is not empty."),
    (b'send "\xc3\xa9"\n', "FILE:1: byte C3h in column 7 is not ASCII; write it as \\xc3 inside a "
                           "text."),
])
def test_mistakes(tmp_path: Path, text: bytes, message: str) -> None:
    with pytest.raises(InputError) as error:
        script(tmp_path, text)
    assert str(error.value).replace(str(tmp_path / "s.txt"), "FILE") == message


def test_keys() -> None:
    assert keys(r"sleep 1\r\n\x03") == b"sleep 1\r\n\x03"
    assert keys(r"""\t\b\\n\"\'\xfF""") == b"\t\b\\n\"'\xff"
    for other in (r"\q", "\\", r"\x1", r"\u0041", r"\101", r"\\\q"):
        with pytest.raises(InputError, match="a backslash itself is"):
            keys(other)
    with pytest.raises(InputError, match="something else than ASCII"):
        keys("é")


def test_options_become_steps() -> None:
    steps = sends_of(("a", "b"), ("tw> ",), Fraction(1, 5))
    assert [(s.kind, s.text) for s in steps] == [
        ("expect", b"tw> "), ("send", b"a"), ("silence", b""), ("send", b"b")]
    steps = sends_of(("a", "b"), (None, "tw> "), Fraction(1, 5))
    assert [(s.kind, s.text) for s in steps] == [
        ("silence", b""), ("send", b"a"), ("expect", b"tw> "), ("send", b"b")]
    with pytest.raises(InputError, match="--after takes a text that is not empty"):
        sends_of(("a",), ("",), Fraction(1, 5))


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st.binary(max_size=60))
def test_any_bytes_give_steps_or_one_line(tmp_path_factory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "any.txt"
    path.write_bytes(data or b" ")
    try:
        read_script(path)
    except InputError as error:
        assert "\n" not in str(error)
