"""The character display against the HD44780U data sheet ("DS") and an older set-up sheet."""
from __future__ import annotations

import math
from fractions import Fraction

import pytest
from card_bench import Bench

from peripherals.hd44780 import CARD


def ready(**settings: object) -> Bench:
    lcd = Bench(CARD, {k.replace("_", "-"): v for k, v in settings.items()}, hz="4 MHz")
    lcd.advance(100_000)
    return lcd


def do(lcd: Bench, register: str, *values: int) -> None:
    for value in values:
        lcd.write(register, value, lcd.t + 20_000)


def test_state_after_the_internal_reset() -> None:
    s = ready().s  # DS p.23: clear, DL = 1, N = 0, F = 0, D = 0, C = 0, B = 0, I/D = 1, S = 0
    assert [int(s[n]) for n in ("wide", "two_lines", "tall", "on", "cursor", "blink", "step",
                                "follows", "ac")] == [1, 0, 0, 0, 0, 0, 1, 0, 0]
    assert set(s.ddram) == {0x20}


def test_the_example_of_eight_bits_and_one_line() -> None:
    lcd = ready()  # DS p.42-43: function set, display on, entry mode, write
    do(lcd, "instruction", 0x38, 0x0E, 0x06)
    do(lcd, "data", 0x48)
    assert lcd.s.ddram[0] == 0x48
    assert lcd.read("instruction", lcd.t + 1000) == 0x01
    do(lcd, "instruction", 0xC0)  # DS p.43: 1100 0000 begins the second line
    assert lcd.read("instruction", lcd.t + 1000) == 0x40


@pytest.mark.parametrize(("byte", "us"), [
    (0x01, 1520), (0x02, 1520), (0x06, 37), (0x0E, 37), (0x18, 37), (0x38, 37), (0x40, 37),
    (0x80, 37)])
@pytest.mark.parametrize("khz", [270, 250])
def test_execution_times(byte: int, us: int, khz: int) -> None:
    lcd = ready(oscillator=khz)  # DS table 6, at 270 kHz; DS p.25: 37 us x 270/250 = 40 us
    start = lcd.t + 20_000
    lcd.write("instruction", byte, start)
    length = math.ceil(Fraction(us * 270 * 4, khz))
    assert lcd.read("instruction", start + length - 1) & 0x80
    assert not lcd.read("instruction", start + length) & 0x80


def test_four_bits_from_the_internal_reset() -> None:
    lcd = ready(wiring="bus-4")  # DS p.42: the first 2h is taken as eight bits, then 2xh twice
    do(lcd, "instruction", 0x20, 0x20, 0x00, 0x00, 0xE0, 0x00, 0x60)
    assert (lcd.s.wide, lcd.s.two_lines, lcd.s.on, lcd.s.cursor) == (0, 0, 1, 1)
    do(lcd, "data", 0x40, 0x80)
    assert lcd.s.ddram[0] == 0x48


def test_software_set_up_of_eight_bits() -> None:
    lcd = ready(power_up=0)  # older set-up sheet: 30h thrice, 001 1 N F, 08h, 01h, entry mode
    for value, wait in ((0x30, 60_000), (0x30, 16_400), (0x30, 400), (0x38, 160), (0x08, 160),
                        (0x01, 160), (0x06, 6100)):
        lcd.write("instruction", value, lcd.t + wait)
    assert (lcd.s.wide, lcd.s.two_lines, lcd.s.on, lcd.s.lost) == (1, 1, 0, 0)


def test_forty_shifts_of_two_lines_come_home() -> None:
    lcd = ready()  # derived from DS: a line of two holds 40 characters
    do(lcd, "instruction", 0x38, 0x0C)
    do(lcd, "data", *b"TIDE")
    before = CARD.glass(lcd.m, lcd.s)
    do(lcd, "instruction", *[0x18] * 39)
    assert CARD.glass(lcd.m, lcd.s) != before
    do(lcd, "instruction", 0x18)
    assert CARD.glass(lcd.m, lcd.s) == before


def test_while_busy_only_the_busy_flag_is_read() -> None:
    lcd = ready()  # DS p.24
    do(lcd, "instruction", 0x01)
    lcd.write("data", 0x41, lcd.t + 100)
    assert lcd.read("instruction") & 0x80
    assert lcd.s.ddram[0] == 0x20
