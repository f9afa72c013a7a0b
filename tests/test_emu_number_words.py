"""Numbers as people read them."""
from __future__ import annotations

import pytest

from emu.card.number_words import counted, set_words, time_words


@pytest.mark.parametrize(("seconds", "words"), [
    (0, "0 s"), (9.01e-5, "90.1 us"), (0.0430999, "43.0999 ms"), (1.264, "1.264 s"),
    (10, "10 s"), (1e-3, "1 ms"), (163e-9, "163 ns"), (864000, "864000 s"),
    (12345678.9, "12345679 s"),
])
def test_a_time_stands_in_a_unit_that_fits(seconds: float, words: str) -> None:
    assert time_words(seconds) == words


def test_a_count_and_its_noun_agree() -> None:
    assert [counted(n, "read") for n in (0, 1, 2)] == ["0 reads", "1 read", "2 reads"]
    assert counted(2, "fetch", "fetches") == "2 fetches"


@pytest.mark.parametrize(("numbers", "words"), [
    ([0x28], "28h"), ([0x29, 0x28], "{28h, 29h}"), (range(0x30, 0x40), "{30h-3Fh}"),
    ([0, 1, 2, 5, 0xFF], "{00h-02h, 05h, FFh}"),
])
def test_bytes_stand_as_a_set(numbers: list[int], words: str) -> None:
    assert set_words(numbers) == words
