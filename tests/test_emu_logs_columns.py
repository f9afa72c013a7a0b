"""Columns of text against Python's own formatting (the standard library is the outside)."""
from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emu.logs.columns import choice, decimal, hexadecimal, literal, render, seconds, written

numbers = st.lists(st.integers(0, 2**62), min_size=1, max_size=20)


def lines(blocks: list[np.ndarray], count: int) -> list[str]:
    text = render([*blocks, literal("\n")], count).decode()
    assert text.endswith("\n")
    return text[:-1].split("\n")


@given(numbers, st.integers(0, 22))
def test_decimal(values: list[int], width: int) -> None:
    assert lines([decimal(values, width)], len(values)) == [f"{v:{width or ''}d}" for v in values]


@given(st.lists(st.integers(0, 0xFFFF), min_size=1))
def test_hexadecimal(values: list[int]) -> None:
    assert lines([hexadecimal(values, 4)], len(values)) == [f"{v:04X}" for v in values]


@given(numbers, st.sampled_from([Fraction(4_000_000), Fraction(6_144_000), Fraction(22_118_400, 6),
                                 Fraction(1), Fraction("3579545.4545")]))
def test_seconds_are_exact(values: list[int], hz: Fraction) -> None:
    """Rounded down to a nanosecond, by exact arithmetic, however long the run."""
    values = [min(v, 2**53) for v in values]
    wanted = []
    for v in values:
        whole, rest = divmod(v * 10**9 * hz.denominator // hz.numerator, 10**9)
        wanted.append(f"{whole}.{rest:09d}")
    assert lines(seconds(np.array(values), hz), len(values)) == wanted


def test_choice_fills_up_or_ends_early() -> None:
    index = [0, 1, 1, 2]
    assert lines([choice(["a", "bcd", "é "], index, 4), literal("|")], 4) == [
        "a   |", "bcd |", "bcd |", "é   |"]
    fill = np.array([True, True, False, False])
    assert lines([choice(["a", "bcd", "e  "], index, 4, fill=fill), literal("|")], 4) == [
        "a   |", "bcd |", "bcd|", "e|"]


def test_fields_are_left_out() -> None:
    show = np.array([True, False, True])
    blocks = [literal("x"), decimal([1, 22, 333], 0, show), choice(["p", "q"], [0, 1, 0], 0, ~show)]
    assert lines(blocks, 3) == ["x1", "xq", "x333"]
    assert written(blocks[2:], 3).tolist() == [False, True, False]


@pytest.mark.parametrize("count", [1, 5])
def test_render_joins_blocks_that_all_lines_share(count: int) -> None:
    assert render([literal("ab"), literal("\n")], count) == b"ab\n" * count
