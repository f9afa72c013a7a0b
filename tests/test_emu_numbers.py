"""Numbers as a builder writes them: exact, or refused at once."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from emu.bus.clock import parse_frequency
from emu.cli.options import limit_seconds
from emu.cli.rates import _hertz
from emu.errors import InputError
from emu.files.numbers import exact
from emu.knowngood.hold import tolerance
from emu.run.script import read_script

HUGE = ("1e999999999", "-1e-999999999", "9" * 5000, "1/0", "nan", "inf", "", "1e", "0x10", "١")


@pytest.mark.parametrize(("text", "value"), [
    ("0.5", Fraction(1, 2)), ("1/3", Fraction(1, 3)), ("2e-3", Fraction(1, 500)),
    (" 6.144 ", Fraction(768, 125)), ("-1", Fraction(-1)), ("1e40", Fraction(10**40))])
def test_a_number_is_read_exactly(text: str, value: Fraction) -> None:
    assert exact(text) == value


@pytest.mark.parametrize("text", HUGE)
def test_another_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        exact(text)
    with pytest.raises(ValueError, match="write a frequency as"):
        parse_frequency(f"{text} MHz")
    with pytest.raises(InputError, match="--limit takes seconds"):
        limit_seconds(text)
    with pytest.raises(InputError, match="--want takes a rate"):
        _hertz(text, "--want")
    with pytest.raises(InputError, match="--tolerance takes"):
        tolerance(f"{text}%")


def test_a_script_time_of_five_thousand_digits(tmp_path: Path) -> None:
    script = tmp_path / "s"
    script.write_text(f"wait 1 s\nwait {'9' * 5000} s\n")
    with pytest.raises(InputError, match=f"{script}:2: 9+: a time is at most 10000000 s"):
        read_script(script)
