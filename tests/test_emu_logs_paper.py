"""Characters put together against Python's own formatting (the standard library is the
outside); tests/test_emu_logs_twins.py holds the compiled form against it."""
from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from emu.logs import paper

numbers = st.integers(0, 2**53)


def sheet(hz: Fraction = Fraction(1)) -> Any:
    return paper.new_paper(hz.numerator, hz.denominator).view(np.recarray)[0]


def read(p: Any, end: int) -> str:
    return bytes(p.out[:end]).decode()


@given(numbers, st.integers(0, 22))
def test_decimal(value: int, width: int) -> None:
    p = sheet()
    end = paper.put_decimal(p, 0, np.int64(value), width)
    assert read(p, end) == f"{value:{width or ''}d}"


@given(st.integers(0, 0xFFFF))
def test_hexadecimal(value: int) -> None:
    p = sheet()
    assert read(p, paper.put_word(p, 0, value)) == f"{value:04X}"


@given(numbers, st.sampled_from([Fraction(4_000_000), Fraction(6_144_000), Fraction(22_118_400, 6),
                                 Fraction(1), Fraction("3579545.4545"),
                                 Fraction("33333333.333333")]))
def test_seconds_are_exact(t: int, hz: Fraction) -> None:
    """Rounded down to a nanosecond, by exact arithmetic, however long the run."""
    p = sheet(hz)
    whole, rest = divmod(t * 10**9 * hz.denominator // hz.numerator, 10**9)
    assert read(p, paper.put_seconds(p, 0, np.int64(t), 0)) == f"{whole}.{rest:09d}"


@given(st.lists(st.tuples(st.integers(0, 3) | numbers, st.sampled_from([0, 4, 12, 22])),
                max_size=12), st.integers(0, 2**53))
def test_times_of_lines_one_behind_the_other(steps: list[tuple[int, int]], t: int) -> None:
    """What a time begins with is kept from the line before; each is as if it stood alone."""
    p = sheet(Fraction(6_144_000))
    for step, width in steps:
        t = (t + step) % 2**53
        assert read(p, paper.put_time(p, 0, np.int64(t), width)) == f"{t:{width or ''}d}"
        whole, rest = divmod(t * 10**9 // 6_144_000, 10**9)
        assert read(p, paper.put_seconds(p, 0, np.int64(t), width)) == \
            f"{whole:{width or ''}d}.{rest:09d}"


@given(st.lists(st.integers(0, 99) | numbers, max_size=12), st.integers(0, 2**53))
def test_stamps_one_behind_the_other(steps: list[int], now: int) -> None:
    p = sheet()
    for step in steps:
        now = (now + step) % 2**60
        assert read(p, paper.put_stamp(p, 0, np.int64(now))) == str(now)


@given(st.integers(0, 0xFFFF))
def test_binary(value: int) -> None:
    p = sheet()
    assert read(p, paper.put_bits(p, 0, value)) == f"{value:b}"
