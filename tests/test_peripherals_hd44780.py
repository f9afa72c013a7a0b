"""The character display: memory, glass, busy times, three wirings."""
from __future__ import annotations

import json
import math
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from card_bench import Bench
from click.testing import CliRunner

from emu.backplane.description import load
from emu.cli import group
from emu.testing.card_contract import complaints
from peripherals.hd44780 import CARD

MHZ = Fraction(6_144_000, 1_000_000)


class Panel(Bench):
    """A display past its power-up, written to with enough patience."""

    def __init__(self, native: bool = False, **settings: Any) -> None:
        super().__init__(CARD, {k.replace("_", "-"): v for k, v in settings.items()},
                         native=native)
        self.advance(200_000)

    def do(self, *instructions: int) -> None:
        for byte in instructions:
            self.write("instruction", byte, self.t + 12_000)

    def text(self, text: str | bytes) -> None:
        for byte in text.encode() if isinstance(text, str) else text:
            self.write("data", byte, self.t + 400)

    def glass(self) -> list[str]:
        return CARD.glass(self.m, self.s)

    def count(self) -> int:
        return self.read("instruction", self.t + 12_000)


def panel(**settings: Any) -> Panel:
    made = Panel(**settings)
    made.do(0x38, 0x0C, 0x01, 0x06)
    return made


@pytest.mark.parametrize("native", [False, True])
def test_two_lines_of_text(native: bool) -> None:
    lcd = panel(native=native)
    lcd.text("Tide 3.2 m")
    lcd.do(0xC0)
    lcd.text("rising")
    assert lcd.glass() == ["Tide 3.2 m      ", "rising          "]
    assert lcd.words()[:2] == ["|Tide 3.2 m      |", "|rising          |"]
    assert lcd.count() == 0x46


def test_the_address_counter_wraps_from_line_to_line() -> None:
    lcd = panel()
    lcd.do(0x80 | 0x27)
    lcd.text("A")
    assert lcd.count() == 0x40
    lcd.do(0x80 | 0x67)
    lcd.text("B")
    assert lcd.count() == 0x00
    lcd.do(0x04)  # to the left
    lcd.text("C")
    assert lcd.count() == 0x67
    lcd.do(0x80 | 0x40)
    lcd.text("D")
    assert lcd.count() == 0x27
    lcd.do(0x10)  # the cursor to the left, then right
    assert lcd.count() == 0x26
    lcd.do(0x14)
    assert lcd.count() == 0x27


def test_one_line_of_eighty() -> None:
    lcd = Panel(rows=1)
    lcd.do(0x30, 0x0C, 0x01, 0x06, 0x80 | 0x4F)
    lcd.text("Z")
    assert lcd.count() == 0
    lcd.do(0x1C)  # the glass to the right: the last character comes in
    assert lcd.glass()[0][0] == "Z"


def test_shifting_and_home() -> None:
    lcd = panel()
    lcd.text("ABCDE")
    lcd.do(0x18)
    assert lcd.glass()[0].startswith("BCDE ")
    lcd.do(0x02)
    assert lcd.glass()[0].startswith("ABCDE") and lcd.count() == 0
    lcd.do(0x07)  # the display follows
    lcd.text("xy")
    assert lcd.glass()[0].startswith("CDE")
    lcd.do(0x01)
    assert lcd.glass() == [" " * 16] * 2


def test_a_four_line_panel() -> None:
    lcd = panel(columns=20, rows=4)
    for address, text in ((0x00, "one"), (0x40, "two"), (0x14, "three"), (0x54, "four")):
        lcd.do(0x80 | address)
        lcd.text(text)
    assert [line.strip() for line in lcd.glass()] == ["one", "two", "three", "four"]


def test_display_off_shows_nothing_and_keeps_all() -> None:
    lcd = panel()
    lcd.text("kept")
    lcd.do(0x08)
    assert lcd.glass() == [" " * 16] * 2
    lcd.do(0x0C)
    assert lcd.glass()[0].startswith("kept")


def test_reading_back_data_and_user_characters() -> None:
    lcd = panel()
    lcd.text("AB")
    lcd.do(0x80)
    assert [lcd.read("data", lcd.t + 400) for _ in range(2)] == [0x41, 0x42]
    lcd.do(0x40 | 8)
    lcd.text(bytes(range(8)))
    lcd.do(0x40 | 8)
    assert [lcd.read("data", lcd.t + 400) for _ in range(8)] == list(range(8))
    lcd.do(0x80)
    lcd.text(b"\x01\xDF\xB1?")
    assert lcd.glass()[0].startswith("\u2592\u00b0\uff71?")


@pytest.mark.parametrize(("byte", "register", "us"), [
    (0x0C, "instruction", 37), (0x80, "instruction", 37), (0x41, "data", 37),
    (0x01, "instruction", 1520), (0x02, "instruction", 1520)])
def test_busy_for_its_time_and_what_comes_meanwhile_is_lost(byte: int, register: str,
                                                            us: int) -> None:
    lcd = panel()
    lcd.do(0x80)
    start = lcd.t + 12_000
    lcd.write(register, byte, start)
    length = math.ceil(us * MHZ)
    assert lcd.read("instruction", start + length - 2) & 0x80
    lcd.write("data", 0x51, start + length - 1)
    assert not lcd.read("instruction", start + length) & 0x80
    assert "Q" not in "".join(lcd.glass())
    assert f"1 accesses lost, because it was busy (the last at T-state {start + length - 1})" \
        in lcd.words()
    lcd.write("data", 0x51, start + length)
    assert "Q" in lcd.glass()[0]


def test_the_address_counter_moves_a_little_after_the_busy_flag() -> None:
    lcd = panel()
    start = lcd.t + 12_000
    lcd.write("data", 0x41, start)
    ready = start + math.ceil(37 * MHZ)
    late = math.ceil(Fraction(1500, 270) * MHZ)
    assert lcd.read("instruction", ready) == 0x00
    assert lcd.read("instruction", ready + late - 1) == 0x00
    assert lcd.read("instruction", ready + late) == 0x01


def test_a_slower_oscillator_is_busy_longer() -> None:
    lcd = panel(oscillator=250)
    start = lcd.t + 20_000
    lcd.write("instruction", 0x0C, start)
    length = math.ceil(Fraction(37 * 270, 250) * MHZ)
    assert lcd.read("instruction", start + length - 1) & 0x80
    assert not lcd.read("instruction", start + length) & 0x80


def test_what_comes_before_power_up_is_lost() -> None:
    lcd = Bench(CARD, {"power-up": 1000})
    lcd.write("instruction", 0x38, 6000)
    lcd.write("instruction", 0x0C, 8000)
    assert lcd.s.two_lines == 0 and lcd.s.on == 1


def test_four_data_lines_on_the_bus() -> None:
    lcd = Panel(wiring="bus-4")
    for byte in (0x30, 0x30, 0x30, 0x20, 0x20, 0x80, 0x00, 0xC0, 0x00, 0x60):
        lcd.write("instruction", byte, lcd.t + 40_000)
    for byte in b"Hi":
        lcd.write("data", byte & 0xF0, lcd.t + 400)
        lcd.write("data", byte << 4 & 0xFF, lcd.t + 10)
    assert lcd.s.two_lines == 1 and lcd.s.wide == 0
    assert lcd.glass()[0].startswith("Hi")
    assert [lcd.read("instruction", lcd.t + 400), lcd.read("instruction")] == [0x0F, 0x2F]


@pytest.mark.parametrize("nibble", ["high", "low"])
def test_a_latch_with_a_strobe(nibble: str) -> None:
    low = nibble == "low"
    bits = {"rs-bit": 4, "rw-bit": 5, "e-bit": 6} if low else {}
    lcd = Bench(CARD, {"wiring": "latch", "nibble": nibble, **bits})
    rs, rw, e = (0x10, 0x20, 0x40) if low else (1, 2, 4)

    def send(four: int, flags: int = 0) -> None:
        lines = (four if low else four << 4) | flags
        for byte in (lines, lines | e, lines):
            lcd.write("latch", byte, lcd.t + 20)

    def fetch(flags: int) -> int:
        value = 0
        for _ in range(2):
            lcd.write("latch", flags | rw | e, lcd.t + 20)
            got = lcd.read("latch", lcd.t + 20)
            value = value << 4 | (got & 15 if low else got >> 4)
            lcd.write("latch", flags | rw)
        return value

    lcd.advance(200_000)
    for four in (3, 3, 3, 2, 2, 8, 0, 0xC, 0, 6):
        send(four)
        lcd.advance(lcd.t + 40_000)
    for byte in b"AB":
        send(byte >> 4, rs)
        send(byte & 15, rs)
        assert fetch(0) & 0x80
        lcd.advance(lcd.t + 400)
        assert not fetch(0) & 0x80
    assert CARD.glass(lcd.m, lcd.s)[0].startswith("AB")
    assert fetch(0) == 2
    for four in (8, 0):
        send(four)
    lcd.advance(lcd.t + 400)
    assert fetch(rs) == ord("A")


MACHINE = """
[slot.cpu]
card = "z80-cpu"
clock = "4 MHz"
[slot.memory]
card = "plain-memory"
image = "p.bin"
[slot.lcd]
card = "hd44780"
base = 0x70
"""


def program(folder: Path) -> Path:
    """A program that waits for the busy flag, sets the display up and writes HIGH TIDE."""
    code = ("31 0000 21 4000 7E 23 B7 28 07 CD 3000 D370 18 F4 7E 23 B7 28 07 CD 3000 D371 18 F4"
            " F3 76")
    data = bytes.fromhex(code.replace(" ", "")).ljust(0x30, b"\0")
    wait = bytes.fromhex("F5 DB70 07 38FB F1 C9".replace(" ", "")).ljust(0x10, b"\0")
    (folder / "p.bin").write_bytes(data + wait + b"\x38\x0C\x01\x06\0HIGH TIDE\0")
    (folder / "m.toml").write_text(MACHINE)
    return folder / "m.toml"


def test_boot_shows_the_glass(tmp_path: Path) -> None:
    file = str(program(tmp_path))
    out = CliRunner().invoke(group, ["boot", file, "--limit", "0.1"]).output
    assert "+ lcd -----------+\n|HIGH TIDE       |\n|                |\n" in out
    out = CliRunner().invoke(group, ["boot", file, "--limit", "0.1", "--json"]).output
    assert json.loads(out)["glass"] == {"lcd": ["HIGH TIDE       ", " " * 16]}


def test_the_contract(tmp_path: Path) -> None:
    assert complaints(load(program(tmp_path)), Fraction(1, 50)) == []
