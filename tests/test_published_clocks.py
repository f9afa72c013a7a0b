"""The clock cards against their data sheets.  "DS": the DS1302 data sheet."""
from __future__ import annotations

import pytest
from ds1302_driver import Clock


def registers(clock: Clock) -> list[int]:
    return [clock.get(0x81 | k << 1)[0] for k in range(7)]


@pytest.mark.parametrize(("start", "seconds", "after"), [
    # derived from DS table 3: seconds minutes hours date month day year
    ("1999-12-31 23:59:58", 2, [0x00, 0x00, 0x00, 0x01, 0x01, 0x07, 0x00]),
    ("2024-02-28 23:59:59", 1, [0x00, 0x00, 0x00, 0x29, 0x02, 0x05, 0x24]),
    ("2023-02-28 23:59:59", 1, [0x00, 0x00, 0x00, 0x01, 0x03, 0x04, 0x23]),
    ("2000-02-28 23:59:59", 1, [0x00, 0x00, 0x00, 0x29, 0x02, 0x03, 0x00]),  # leap: DS features
])
def test_counting(start: str, seconds: int, after: list[int]) -> None:
    clock = Clock(start)
    clock.advance(seconds * int(clock.hz))
    assert registers(clock) == after


@pytest.mark.parametrize(("before", "after"), [  # DS p.7: bit 7 = 12-hour, bit 5 = PM
    (0xB1, 0x92),  # 11 PM, then 12 AM is midnight
    (0x91, 0xB2),  # 11 AM, then 12 PM is noon
    (0xB2, 0xA1), (0x92, 0x81), (0x89, 0x90), (0x23, 0x00), (0x19, 0x20)])
def test_hours(before: int, after: int) -> None:
    clock = Clock()
    clock.put(0x82, 0x59)
    clock.put(0x84, before)
    clock.put(0x80, 0x59)
    assert clock.get(0x85) == [before]
    date = clock.get(0x87)
    clock.wait(1)
    assert clock.get(0x85) == [after]
    assert (clock.get(0x87) != date) == (after in (0x92, 0x00))


def test_the_day_of_the_week_rolls_from_7_to_1() -> None:
    clock = Clock("2026-01-01 23:59:59")
    clock.put(0x8A, 7)
    clock.wait(1)
    assert clock.get(0x8B) == [1]  # DS p.7


def test_registers_that_are_not_in_the_burst() -> None:
    clock = Clock()
    clock.put(0x90, 0xA5)  # DS p.7 table 2: one diode, 2 kohm
    assert clock.get(0x91) == [0xA5]
    assert clock.get(0xBF, 8)[7] == 0x00  # the eighth of the burst is WP, older DS p.5-6


def test_write_protection() -> None:
    clock = Clock()
    clock.put(0x8E, 0x80)
    clock.put(0xBE, *[0x11] * 8)  # older DS p.6: a burst with WP set changes nothing
    assert clock.get(0x83) == [0x00]
    assert clock.get(0x8F) == [0x80]
