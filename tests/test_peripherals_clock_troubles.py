"""What the clock cards say of wrong use: lines that change together, clocks that stand."""
from __future__ import annotations

import pytest
import test_peripherals_rtc_6242 as parallel
from ds1302_driver import CE, CLOCK, DATA, DRIVE, Clock

from peripherals import ds1302, rtc_6242


@pytest.mark.parametrize("native", [False, True])
def test_a_data_bit_that_changes_with_the_clock_is_counted(native: bool) -> None:
    clock = Clock(native=native)
    assert clock.get(0x81) == [0]
    assert clock.s.together == 0
    clock.port(CE | DRIVE)
    for k in range(8):  # data sheet: data must stand 50 ns before SCLK rises (tDC, from memory)
        data = DATA if 0x81 >> k & 1 else 0
        clock.port(CE | DRIVE | data | CLOCK)
        clock.port(CE | DRIVE | data)
    assert clock.s.together == 3  # it changed at bits 0, 1 and 7
    assert any("3 data bits changed in the same write" in r for r in
               ds1302.CARD.risks(clock.m, clock.s))


def test_a_frame_that_begins_with_the_clock_high_is_counted() -> None:
    clock = Clock()
    clock.port(CLOCK)
    clock.port(CE | CLOCK | DRIVE)
    assert any("1 frames began with SCLK high" in line for line in clock.words())


def test_frames_that_follow_one_another_too_fast() -> None:
    clock = Clock()  # 1 us is 7 T-states; CE must be low that long at 5 V (tCWH, from memory)
    clock.port(CE)
    clock.port(0)
    clock.write("port", CE, clock.t + 6)
    assert clock.s.crowded == 1
    clock.port(0)
    clock.write("port", CE, clock.t + 7)
    assert clock.s.crowded == 1
    assert "1 frames began less than 1 us after CE fell" in ds1302.CARD.risks(clock.m, clock.s)[0]


def test_twelve_hours_round_the_day() -> None:
    clock = Clock("2023-02-28 00:00:00")
    for hour, after in ((0x91, 0xB2), (0xB2, 0xA1), (0xB1, 0x92), (0x92, 0x81)):
        clock.put(0x8E, 0x00)
        clock.put(0x84, hour)
        clock.put(0x82, 0x59)
        clock.put(0x80, 0x59)
        date = clock.get(0x87)[0]
        clock.wait(1.01)
        assert clock.get(0x85) == [after]
        assert (clock.get(0x87)[0] != date) is (hour == 0xB1)  # 11 PM to midnight


def test_a_stopped_clock_reads_back_and_is_a_trouble() -> None:
    clock = Clock("2026-03-04 05:06:07")
    assert ds1302.CARD.troubles(clock.m, clock.s) == []
    clock.put(0x80, 0x87)
    clock.wait(5)
    assert clock.get(0x81) == [0x87]
    assert [t.code for t in ds1302.CARD.troubles(clock.m, clock.s)] == ["clock-stopped"]
    clock.put(0x8E, 0x80)
    clock.put(0x80, 0x00)
    assert clock.get(0x81) == [0x87] and clock.get(0x8F) == [0x80]
    assert [t.code for t in ds1302.CARD.troubles(clock.m, clock.s)] == ["clock-protected"]


def test_a_short_clock_burst_and_a_short_ram_burst() -> None:
    clock = Clock("2026-03-04 05:06:07")
    clock.put(0xBE, 0x11, 0x22, 0x03)  # data sheet: all eight or none
    assert clock.get(0xBF, 3) == [0x07, 0x06, 0x05]
    clock.put(0xFE, 0x11, 0x22, 0x03)  # RAM may be shorter
    assert clock.get(0xFF, 3) == [0x11, 0x22, 0x03]


def test_trickle_is_kept_and_stands_in_no_burst() -> None:
    clock = Clock()
    clock.put(0x90, 0xA5)
    assert clock.get(0x91) == [0xA5]
    assert clock.get(0xBF, 9)[7:] == [0x00, clock.get(0x81)[0]]  # WP, and the seconds again


def test_a_parallel_clock_that_is_held_or_stopped() -> None:
    clock = parallel.Clock()
    assert rtc_6242.CARD.troubles(clock.m, clock.s) == []
    clock.write("cd", 1, clock.t + 10)
    held = rtc_6242.CARD.troubles(clock.m, clock.s)
    assert [t.code for t in held] == ["clock-stopped"] and "HOLD" in held[0].summary
    clock.write("cd", 0, clock.t + 10)
    clock.write("cf", 6, clock.t + 10)
    assert "STOP (bit 1)" in rtc_6242.CARD.troubles(clock.m, clock.s)[0].summary
    clock.write("cf", 4, clock.t + 10)
    assert rtc_6242.CARD.troubles(clock.m, clock.s) == []
