"""What a terminal has shown is kept in bounded memory, with the places of all of it."""
from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emu.run import shown
from emu.run.shown import Text, Times


@pytest.fixture(autouse=True)
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, size in (("HEAD", 6), ("TAIL", 12), ("BLOCK", 4)):
        monkeypatch.setattr(shown, name, size)


def test_a_long_text_keeps_its_beginning_and_its_end() -> None:
    text, times = Text(), Times()
    for k in range(0, 100, 5):
        text += bytes(range(k, k + 5))
        times += range(k, k + 5)
    assert len(text) == len(times) == 100 and text.left_out == 84
    assert bytes(text) == bytes([*range(6), *range(90, 100)])
    assert list(times) == [*range(6), *range(90, 100)]
    assert times[99] == times[-1] == 99 and times[5] == 5
    with pytest.raises(IndexError):
        times[50]
    assert text.find(bytes([97, 98])) == 97 and text.find(bytes([4, 5])) == 4
    assert text.find(bytes([4]), 5) == -1 and text.find(bytes([5, 90])) == -1
    assert text.rfind(bytes([97, 98]), 99) == 97 and text.rfind(bytes([97, 98]), 98) == -1
    assert text.rfind(bytes([2]), 60) == 2
    assert text[95:97] == bytes([95, 96]) and text[-1:] == b"c" and text.endswith(b"bc")
    assert "[84 characters are not kept]" in text.decode()


def test_what_is_kept_hangs_on_the_length_alone() -> None:
    data = bytes(range(100))
    at_once = Text(data)
    for step in (1, 3, 7, 50):
        bit_by_bit = Text()
        for k in range(0, 100, step):
            bit_by_bit += data[k:k + step]
        assert bytes(bit_by_bit) == bytes(at_once), step


@settings(max_examples=60)
@given(st.lists(st.one_of(st.binary(max_size=9), st.integers(0, 40))))
def test_a_short_text_is_a_plain_one(steps: list[bytes | int]) -> None:
    text, plain = Text(), bytearray()
    for step in steps:
        if isinstance(step, bytes) and len(plain) + len(step) <= 18:
            text += step
            plain += step
        elif isinstance(step, int):
            text.cut(len(text) - step)
            del plain[max(len(plain) - step, 0):]
    assert bytes(text) == plain and len(text) == len(plain) and text == plain
    for wanted in (bytes(plain[2:4]), b"\0"):
        assert text.find(wanted, 1) == plain.find(wanted, 1)
        assert text.rfind(wanted, 9) == plain.rfind(wanted, 0, 9)
        assert (wanted in text) == (wanted in plain)
    assert text.decode() == plain.decode("latin-1") and bool(text) == bool(plain)


@pytest.mark.parametrize(("length", "kept"), [(99, [*range(6), *range(90, 99)]),
                                              (50, [*range(6)]), (6, [*range(6)]), (3, [0, 1, 2])])
def test_going_back_forgets_from_there_on(length: int, kept: list[int]) -> None:
    text = Text(bytes(range(100)))
    text.cut(length)
    assert len(text) == length and list(text) == kept
    text += b"xy"
    assert len(text) == length + 2 and text.find(b"xy") == length
    assert text[length] == ord("x")
