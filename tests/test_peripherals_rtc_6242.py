"""The parallel clock.  Pages are the data sheet's (FEDL6242B-02), the rest follows from it."""
from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from boards import CPU_AND_MEMORY
from card_bench import Bench

from emu.backplane.description import load
from emu.machine.machine import Machine
from peripherals.rtc_6242 import CARD

DIGITS = CARD.registers[:12]


class Clock(Bench):
    """A clock that is read and set as a program does it."""

    def __init__(self, start: str = "2026-03-04 05:06:07", native: bool = False,
                 **settings: Any) -> None:
        super().__init__(CARD, {"start": start, **settings}, native=native)

    def wait(self, seconds: float) -> None:
        self.advance(self.t + round(seconds * self.hz))

    def nibble(self, register: str) -> int:
        value = self.read(register, self.t + 11)
        assert value & 0xF0 == 0xF0
        return value & 15

    def text(self) -> str:
        d = [self.nibble(r) for r in DIGITS]
        return (f"{d[11]}{d[10]}-{d[9]}{d[8]}-{d[7]}{d[6]} {d[5]}{d[4]}:{d[3]}{d[2]}:"
                f"{d[1]}{d[0]}")


@pytest.mark.parametrize("native", [False, True])
def test_it_counts_from_its_start(native: bool) -> None:
    clock = Clock("2024-02-28 23:59:58", native=native)
    assert clock.text() == "24-02-28 23:59:58"
    clock.wait(2)
    assert clock.text() == "24-02-29 00:00:00"
    assert clock.nibble("week") == 4  # Thursday, Sunday is 0
    assert clock.words()[0] == "year 24, month 02, date 29, 00:00:00"


def test_seconds_are_exact() -> None:
    clock = Clock("2026-01-01 00:00:00")
    clock.advance(int(clock.hz) - 1)
    assert clock.read("s1") == 0xF0
    clock.advance(int(clock.hz))
    assert clock.read("s1") == 0xF1


def test_setting_it() -> None:
    clock = Clock()
    clock.write("cf", 0x4 | 0x2)  # stopped
    for register, value in zip(DIGITS, (0, 3, 5, 1, 9, 1, 1, 3, 2, 1, 7, 2), strict=True):
        clock.write(register, value, clock.t + 20)
    clock.wait(3)
    assert clock.text() == "27-12-31 19:15:30"
    clock.write("cf", 0x4)
    clock.wait(1.01)
    assert clock.text() == "27-12-31 19:15:31"


def test_hold_keeps_a_second_and_loses_the_next() -> None:
    clock = Clock("2026-01-01 00:00:00")
    assert clock.nibble("cd") == 0x2  # busy means nothing without HOLD
    clock.wait(0.5)
    clock.write("cd", 1)
    assert clock.nibble("cd") == 0x1
    clock.wait(0.8)
    assert clock.nibble("s1") == 0
    clock.write("cd", 0)
    assert clock.nibble("s1") == 1
    clock.write("cd", 1)
    clock.wait(2)
    clock.write("cd", 0)
    assert clock.nibble("s1") == 2
    assert "1 seconds lost: HOLD stood for more than a second" in clock.words()


def test_busy_for_190_us_behind_a_second() -> None:
    clock = Clock("2026-01-01 00:00:00")
    second = int(clock.hz)
    clock.advance(second + 500)
    clock.write("cd", 1)
    assert clock.read("cd") == 0xF3
    assert clock.read("cd", second + 1167) == 0xF3
    assert clock.read("cd", second + 1168) == 0xF1  # 190 us at 6.144 MHz: 1167.4 T-states


def test_adjust_rounds_to_the_minute() -> None:
    for start, after in (("2026-01-01 10:20:29", "26-01-01 10:20:00"),
                         ("2026-12-31 23:59:30", "27-01-01 00:00:00")):
        clock = Clock(start)
        clock.write("cd", 0x8)
        assert clock.text() == after


def test_twelve_hours() -> None:
    clock = Clock("2026-01-01 11:59:59")
    clock.write("cf", 1)
    clock.write("cf", 0)
    clock.write("h1", 1)
    clock.write("h10", 1)  # 11 AM
    clock.wait(1)
    assert [clock.nibble("h1"), clock.nibble("h10")] == [2, 1 | 4]
    clock.write("h1", 1)
    clock.write("h10", 1 | 4)
    clock.write("mi1", 9)
    clock.write("mi10", 5)
    clock.write("s1", 9)
    clock.write("s10", 5)
    clock.wait(1)
    assert [clock.nibble("h1"), clock.nibble("h10"), clock.nibble("d1")] == [2, 1, 2]


@pytest.mark.parametrize(("period", "start", "seconds"), [
    (0, "2026-01-01 00:00:00", 1 / 64), (1, "2026-01-01 00:00:00", 1),
    (2, "2026-01-01 00:00:57", 3), (3, "2026-01-01 00:59:58", 2)])
def test_interrupts(period: int, start: str, seconds: float) -> None:
    clock = Clock(start, interrupt=True)
    clock.write("ce", period << 2 | 2)
    clock.advance(int(seconds * clock.hz) - 1)
    assert clock.int_line == 0
    clock.advance(int(seconds * clock.hz))
    assert clock.int_line == 1 and clock.nibble("cd") & 4
    clock.write("cd", 0)
    assert clock.int_line == 0 and not clock.nibble("cd") & 4


def test_standard_mode_takes_its_pulse_back_and_the_mask_holds_it() -> None:
    clock = Clock("2026-01-01 00:00:00", interrupt=True)
    clock.write("ce", 1 << 2)
    clock.wait(1)
    assert clock.int_line == 1
    clock.wait(0.02)
    assert clock.int_line == 0
    clock.write("ce", 1 << 2 | 1)
    clock.wait(1)
    assert clock.int_line == 0


def test_a_flat_battery_stands() -> None:
    clock = Clock(battery="flat")
    before = clock.text()
    clock.wait(5)
    assert clock.text() == before and clock.nibble("cf") & 2


# --- the data sheet's points ----------------------------------------------------------------
@pytest.mark.parametrize(("ce", "period"), [(0, 62_500), (4, 4_000_000)])
def test_a_standard_pulse_returns_after_7_8125_ms(ce: int, period: int) -> None:
    """FEDL6242B-02 p.12 c: 7.8125 ms, 31250 T-states at 4 MHz; 1/64 s gives a square wave."""
    clock = Bench(CARD, {"start": "2026-01-01 00:00:00", "interrupt": True}, hz="4 MHz")
    clock.write("ce", ce)
    edges, level = [], 0
    while len(edges) < 6:
        clock.advance(int(clock.m.event_t[0]))
        if clock.int_line != level:
            level = int(clock.int_line)
            edges.append(clock.t)
            assert (clock.read("cd") >> 2) & 1 == level  # the flag is the pin, inverted
    assert edges == [k * period + half for k in (1, 2, 3) for half in (0, 31_250)]


def test_a_standard_pulse_is_a_tick_by_itself() -> None:
    """A handler that never touches the chip is called 64 times a second: the pulse ends alone."""
    clock = Bench(CARD, {"start": "2026-01-01 00:00:00", "interrupt": True}, hz="4 MHz")
    clock.write("ce", 0)
    assert [tick.period for tick in CARD.ticks(clock.m, clock.s)] == [62_500]


def test_a_program_counts_standard_pulses_as_ticks(tmp_path: Path) -> None:
    """It looks at the flag alone, and takes nothing back: 64 a second, as p.12 c has it."""
    poll = "DB4D E604 28FA 23 DB4D E604 20FA 18F1"  # until 1; inc hl; until 0; again
    (tmp_path / "p.bin").write_bytes(bytes.fromhex("3E00 D34E 210000" + poll))
    (tmp_path / "m.toml").write_text(
        CPU_AND_MEMORY + '[slot.clock]\ncard = "rtc-6242"\nbase = 64\n')
    machine = Machine(load(tmp_path / "m.toml"))
    machine.run(machine.at(1.001))
    assert int(machine.m.r[4]) << 8 | int(machine.m.r[5]) == 64


def test_an_interrupt_stays_until_it_is_taken_back() -> None:
    """p.12 c: a period that ends while STD.P is low is ignored."""
    clock = Clock("2026-01-01 00:00:00", interrupt=True)
    clock.write("ce", 2)
    clock.wait(2.5 / 64)
    assert clock.int_line == 1
    clock.write("cd", 0)
    assert clock.int_line == 0
    clock.wait(0.9 / 64)
    assert clock.int_line == 1


def test_cd_bit_2_has_to_be_written_as_1_to_keep_the_flag() -> None:
    """p.12 c, note 3."""
    for hold, release, flag in ((5, 4, 4), (1, 0, 0)):
        clock = Clock("2026-01-01 00:00:00")
        clock.write("ce", 4 | 2)
        clock.wait(1)
        clock.write("cd", hold, clock.t + 2000)
        clock.write("cd", release, clock.t + 20)
        assert clock.nibble("cd") & 4 == flag


def test_the_flag_reads_0_under_the_mask() -> None:
    """Derived: CD bit 2 "corresponds to the output level" (p.12 c)."""
    clock = Clock("2026-01-01 00:00:00", interrupt=True)
    clock.write("ce", 2)
    clock.wait(1 / 64)
    clock.write("ce", 3)
    assert clock.int_line == 0 and clock.nibble("cd") & 4 == 0
    clock.wait(3 / 64)
    clock.write("ce", 2)
    assert clock.int_line == 0 and clock.nibble("cd") & 4 == 0
    clock.wait(1 / 64)
    assert clock.int_line == 1


def test_bits_that_do_not_exist_read_0() -> None:
    """Note 1 of the data sheet; which bits: from memory."""
    clock = Clock()
    clock.write("cf", 4 | 2)  # it stands
    for register, mask in (("s10", 7), ("mi10", 7), ("h10", 3), ("d10", 3), ("mo10", 1),
                           ("week", 7), ("s1", 15), ("y10", 15)):
        clock.write(register, 15, clock.t + 20)
        assert clock.nibble(register) == mask, register


def test_24_12_is_taken_only_with_rest() -> None:
    """From memory, 90 % (MSM6242 p.13): REST = 1, 24/12 with REST = 1, REST = 0."""
    clock = Clock("2026-01-01 23:30:00")
    clock.write("cf", 0)
    assert (clock.nibble("cf"), clock.nibble("h10"), clock.nibble("h1")) == (4, 2, 3)
    assert any("REST is 1" in words for words in CARD.risks(clock.m, clock.s))
    for nibble in (1, 0):
        clock.write("cf", nibble, clock.t + 20)
    assert clock.nibble("cf") == 0
    clock.write("h10", 5)
    clock.write("h1", 1)
    assert (clock.nibble("h10"), clock.nibble("h1")) == (5, 1)  # 11 PM
    for nibble in (5, 4):
        clock.write("cf", nibble, clock.t + 20)
    assert clock.nibble("cf") == 4


def test_the_adjust_bit_takes_125_us() -> None:
    """p.12 d: it returns to 0 by itself 125 us later, 768 T-states at 6.144 MHz."""
    clock = Clock("2026-01-01 10:20:29")
    clock.write("cd", 0x8, 1000)
    assert clock.read("cd", 1000 + 767) & 8 == 8
    assert clock.read("cd", 1000 + 768) & 8 == 0


def test_rest_clears_what_is_below_a_second() -> None:
    """MQ-162-03 (1): the next second comes one second after REST = 0."""
    clock = Clock("2026-01-01 00:00:00")
    clock.wait(0.7)
    clock.write("cf", 5)
    clock.wait(0.6)
    clock.write("cf", 4)
    released = clock.t
    clock.advance(released + int(clock.hz) - 12)
    assert clock.nibble("s1") == 0
    clock.advance(released + int(clock.hz))
    assert clock.nibble("s1") == 1


# --- what no data sheet settles: the other readings, by jumpers --------------------------------
@pytest.mark.parametrize(("reading", "kept"), [("with-rest", 4), ("always", 0)])
def test_24_12_without_rest(reading: str, kept: int) -> None:
    """MQ-162-03 p.13 does not ask for REST; that FEDL6242B-02 p.13 does, memory 90 %."""
    clock = Clock(**{"hours-bit": reading})
    clock.write("cf", 0)
    assert clock.nibble("cf") == kept
    assert any("24/12" in words for words in CARD.risks(clock.m, clock.s))


@pytest.mark.parametrize(("reading", "flag"), [("hidden", 0), ("kept", 4)])
def test_the_flag_of_a_period_that_ended_under_the_mask(reading: str, flag: int) -> None:
    """Derived from "corresponds to the output level", 65 % (msm6242_more.md 3)."""
    clock = Clock(interrupt=True, **{"masked-flag": reading})
    clock.write("ce", 1 << 2 | 3)
    clock.wait(1.5)
    assert not clock.int_line and clock.nibble("cd") & 4 == flag
    clock.write("ce", 1 << 2 | 2)
    assert clock.int_line == (flag != 0)
    (risk,) = CARD.risks(clock.m, clock.s)
    assert risk.startswith("the flag was read 1 times under MASK")


def test_the_flag_under_the_mask_is_no_risk_to_who_reads_busy() -> None:
    clock = Clock()
    clock.wait(1.5)
    clock.write("cd", 5)
    clock.nibble("cd")
    assert CARD.risks(clock.m, clock.s) == []


@pytest.mark.parametrize(("reading", "comes"), [("lost", False), ("comes", True)])
def test_the_pulse_of_a_second_that_hold_holds(reading: str, comes: bool) -> None:
    """Not found in any data sheet (msm6242_more.md 3)."""
    clock = Clock(interrupt=True, **{"held-pulse": reading})
    clock.write("ce", 1 << 2 | 2)
    clock.wait(0.5)
    clock.write("cd", 5)
    clock.wait(0.7)
    clock.write("cd", 4)
    assert bool(clock.int_line) == comes
    (risk,) = CARD.risks(clock.m, clock.s)
    assert risk.startswith("1 periods of STD.P ended while HOLD was set")
