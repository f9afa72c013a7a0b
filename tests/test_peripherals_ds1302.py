"""The three-wire clock: frames, bursts, protection, counting, its start."""
from __future__ import annotations

from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from ds1302_driver import CE, CLOCK, DRIVE, Clock
from hypothesis import given, settings
from hypothesis import strategies as st

from emu.backplane.description import load
from emu.errors import InputError
from emu.testing.card_contract import complaints
from peripherals import calendar

SECONDS, PROTECT, RAM, BURST, RAM_BURST = 0x80, 0x8E, 0xC0, 0xBE, 0xFE


@pytest.mark.parametrize("native", [False, True])
def test_it_starts_as_the_jumper_says_and_counts(native: bool) -> None:
    clock = Clock("2026-03-04 05:06:07", native=native)
    assert clock.get(BURST | 1, 8) == [0x07, 0x06, 0x05, 0x04, 0x03, 0x04, 0x26, 0x00]
    clock.wait(3)
    assert clock.get(SECONDS | 1) == [0x10]
    assert clock.words()[0] == "year 26, month 03, date 04, 05:06:10"


def test_a_read_goes_on_with_the_same_byte() -> None:
    clock = Clock("2026-03-04 05:06:07")
    assert clock.get(0x83, 3) == [0x06] * 3


def test_a_burst_is_of_one_moment() -> None:
    clock = Clock("2026-12-31 23:59:59")
    clock.port(CE | DRIVE)
    clock.send(BURST | 1)
    first = clock.fetch()
    clock.wait(2)
    rest = [clock.fetch() for _ in range(6)]
    clock.port(0)
    assert [first, *rest] == [0x59, 0x59, 0x23, 0x31, 0x12, 0x05, 0x26]
    assert clock.get(BURST | 1, 3) == [0x01, 0x00, 0x00]


def test_a_clock_burst_is_written_whole_or_not_at_all() -> None:
    clock = Clock()
    clock.put(BURST, 0x11, 0x22, 0x13, 0x14, 0x05, 0x06)
    assert clock.get(0x83) == [0x00]
    clock.put(BURST, 0x11, 0x22, 0x13, 0x14, 0x05, 0x06, 0x27, 0x00)
    assert clock.get(BURST | 1, 8) == [0x11, 0x22, 0x13, 0x14, 0x05, 0x06, 0x27, 0x00]


def test_protection_refuses_all_but_its_own_register() -> None:
    clock = Clock()
    clock.put(PROTECT, 0x80)
    clock.put(0x82, 0x33)
    clock.put(RAM, 0x44)
    clock.put(BURST, *[0x11] * 8)
    assert clock.get(0x83) == [0x00]
    assert "3 writes refused: write protection is on (8Eh = 80h)" in clock.words()
    clock.put(PROTECT, 0x00)
    clock.put(0x82, 0x33)
    assert clock.get(0x83) == [0x33]


def test_ram_bytes_and_burst() -> None:
    clock = Clock()
    clock.put(RAM | 30 << 1, 0x5A)
    assert clock.get(RAM | 30 << 1 | 1) == [0x5A]
    clock.put(RAM_BURST, 1, 2, 3)
    assert clock.get(RAM_BURST | 1, 31) == [1, 2, 3, *[0] * 27, 0x5A]


def test_what_is_cut_off_or_wrong_does_nothing() -> None:
    clock = Clock("2026-03-04 05:06:07")
    clock.port(CE | DRIVE)
    clock.send(0x82)
    clock.send(0x55, 7)  # CE falls before the eighth bit
    clock.port(0)
    clock.put(0x02, 0x55)  # bit 7 is 0
    assert clock.get(0x83) == [0x06]
    for value in (DRIVE | 4, DRIVE | 4 | CLOCK):  # clocks without CE
        clock.port(value)
    assert clock.get(0x83) == [0x06]


def test_the_line_is_released_while_sclk_is_high() -> None:
    clock = Clock("2026-03-04 05:00:07")  # 00 minutes: every bit 0
    clock.port(CE | DRIVE)
    clock.send(0x83)
    clock.port(CE)
    assert clock.read("port") == 0
    clock.port(CE | CLOCK)
    assert clock.read("port") == 1  # pulled up


def test_stopping_and_starting() -> None:
    clock = Clock("2026-03-04 05:06:07")
    clock.put(SECONDS, 0x80 | 0x30)
    clock.wait(5)
    assert clock.get(SECONDS | 1) == [0xB0]
    assert clock.words()[0].endswith("05:06:30, stopped")
    clock.wait(0.9)
    clock.put(SECONDS, 0x30)  # the divider begins anew
    clock.wait(0.95)
    assert clock.get(SECONDS | 1) == [0x30]
    clock.wait(0.1)
    assert clock.get(SECONDS | 1) == [0x31]


def test_a_flat_battery() -> None:
    clock = Clock(battery="flat")
    assert clock.get(SECONDS | 1)[0] & 0x80
    again = Clock(battery="flat")
    assert clock.get(RAM_BURST | 1, 31) == again.get(RAM_BURST | 1, 31)


def test_a_hasty_clock_is_counted() -> None:
    clock = Clock()
    clock.write("port", CE | DRIVE, 1000)
    clock.write("port", CE | DRIVE | CLOCK, 1006)
    assert "1 clocks came less than 1 us after CE" in clock.words()


@settings(max_examples=40, deadline=None)
@given(st.datetimes(datetime(2000, 1, 1), datetime(2099, 12, 20)))
def test_the_calendar_agrees_with_pythons(start: datetime) -> None:
    start = start.replace(minute=59, second=59, microsecond=0)
    record = np.zeros(1, calendar.CALENDAR).view(np.recarray)[0]

    def bcd(value: int) -> int:
        return int(str(value), 16)

    def fields(d: datetime) -> list[int]:
        return [*map(bcd, (d.second, d.minute, d.hour, d.day, d.month)), d.isoweekday() % 7 + 1,
                bcd(d.year % 100)]

    record.field[:] = fields(start)
    calendar.next_second(record)
    assert record.field.tolist() == fields(start + timedelta(seconds=1))


def test_seconds_are_exact_over_ten_days() -> None:
    clock = Clock("2026-03-04 00:00:00", native=True)
    days = 10
    t = int(days * 86_400 * clock.hz)  # 6.144 MHz: whole
    clock.advance(t - 1)
    assert clock.s.calendar.field.tolist()[:4] == [0x59, 0x59, 0x23, 0x13]
    clock.advance(t)
    assert clock.s.calendar.field.tolist()[:4] == [0, 0, 0, 0x14]


MACHINE = """
[slot.cpu]
card = "z80-cpu"
clock = "3.579545 MHz"
[slot.memory]
card = "plain-memory"
image = "p.bin"
[slot.rtc]
card = "ds1302"
base = 0x60
start = "START"
"""


@pytest.mark.parametrize("start", ["yesterday", "2026-02-30 00:00:00", "26-01-01 00:00:00"])
def test_a_wrong_start(tmp_path: Path, start: str) -> None:
    from emu.machine.machine import Machine

    (tmp_path / "p.bin").write_bytes(b"\x76")
    (tmp_path / "m.toml").write_text(MACHINE.replace("START", start))
    with pytest.raises(InputError) as error:
        Machine(load(tmp_path / "m.toml"))
    assert str(error.value) == (
        f'slot.rtc: start takes "YYYY-MM-DD hh:mm:ss" such as "2000-01-01 00:00:00", not '
        f'{start!r}.')


def test_the_contract(tmp_path: Path) -> None:
    loop = "3E01 D360 3E03 D360 DB60 18F4"
    (tmp_path / "p.bin").write_bytes(bytes.fromhex(loop))
    (tmp_path / "m.toml").write_text(MACHINE.replace("START", "1999-12-31 23:59:58"))
    assert complaints(load(tmp_path / "m.toml"), Fraction(5, 2)) == []
