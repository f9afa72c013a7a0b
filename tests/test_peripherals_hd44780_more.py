"""The character display: its data register, entry modes, four bits in a muddle (from memory)."""
from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from test_peripherals_hd44780 import Panel, panel

from emu.cli import group


def read_data(lcd: Panel) -> int:
    return lcd.read("data", lcd.t + 400)


def test_a_read_after_a_write_gives_what_was_written_not_what_is_there() -> None:
    lcd = panel()
    lcd.text("ABCD")
    lcd.do(0x80)
    lcd.text("x")
    assert read_data(lcd) == ord("x")  # invalid by the data sheet: no address was set
    assert read_data(lcd) == ord("C")
    lcd.do(0x80)
    assert [read_data(lcd) for _ in range(4)] == list(b"xBCD")


def test_a_cursor_shift_fetches_like_an_address() -> None:
    lcd = panel()
    lcd.text("ABCD")
    lcd.do(0x10)  # cursor left
    assert (read_data(lcd), lcd.count()) == (ord("D"), 4)
    lcd.do(0x14)
    assert lcd.count() == 5


@pytest.mark.parametrize("native", [False, True])
def test_reading_backwards(native: bool) -> None:
    lcd = panel(native=native)
    lcd.text("ABC")
    lcd.do(0x04, 0x82)  # decrement
    assert [read_data(lcd) for _ in range(3)] == list(b"CBA")
    assert lcd.count() == 0x67  # round the corner of the two lines


def test_entry_mode_with_shift_both_ways() -> None:
    lcd = panel(columns=8)
    lcd.do(0x07, 0x88)  # increment, shift: text runs in from the right edge
    lcd.text("42")
    assert lcd.glass()[0] == "      42"
    lcd.do(0x01, 0x05, 0x80)  # clear keeps the shift bit; decrement
    assert lcd.s.follows == 1 and lcd.s.offset == 0
    lcd.text("9")
    assert lcd.glass()[0] == " 9      "


def test_user_characters_do_not_shift_the_display() -> None:
    lcd = panel()
    lcd.do(0x07, 0x40)
    lcd.text(bytes(range(8)))
    assert lcd.s.offset == 0 and lcd.s.ac == 8
    lcd.do(0x40)
    assert [read_data(lcd) for _ in range(8)] == list(range(8))
    assert lcd.s.offset == 0


def test_cgram_goes_round_at_64() -> None:
    lcd = panel()
    lcd.do(0x7F)
    lcd.text(b"\x11\x12")
    assert (lcd.s.cgram[63], lcd.s.cgram[0], lcd.count()) == (0x11, 0x12, 1)


def test_four_bits_the_busy_flag_takes_two_reads() -> None:
    lcd = Panel(wiring="bus-4")
    lcd.do(0x20)  # taken as eight bits
    for byte in (0x20, 0x80, 0x00, 0xC0):  # function set 28h, display on
        lcd.do(byte)
    for nibble in (0x80, 0x50):  # address 05h
        lcd.do(nibble)
    high = lcd.read("instruction", lcd.t + 400)
    low = lcd.read("instruction", lcd.t + 20)
    assert (high & 0xF0, low & 0xF0) == (0x00, 0x50)
    lcd.read("instruction", lcd.t + 20)  # one nibble alone: halves change places
    lcd.do(0x80)
    assert "one nibble of two has come" not in lcd.words()[3]
    lcd.do(0x00)
    assert "one nibble of two has come" in lcd.words()[3]


def test_words_and_risks_for_a_hasty_program() -> None:
    lcd = panel(columns=8)
    lcd.do(0x0F)
    for byte in b"ab":
        lcd.write("data", byte, lcd.t + 300)
    lcd.write("data", ord("c"), lcd.t + 20)
    assert lcd.words()[2:5] == [
        "on, 8-bit mode, two lines, address 02h, busy",
        "cursor and blinking, moves right, shifted by 0", "5 instructions and 2 characters taken"]
    risk = lcd.cards[0].risks(lcd.m, lcd.s)
    assert len(risk) == 1 and risk[0].startswith("1 accesses were lost because it was busy")
    assert "228 T-states after each byte and 9339 after clear" in risk[0]


def test_a_boot_lists_what_a_hasty_program_lost(tmp_path: Path) -> None:
    # wait 20 ms, 38h and 0Ch with a wait after each, then "Hi" with none; HALT
    delay = "0600 10FE " * 3  # DJNZ of 256: 3,325 T-states each, 1.7 ms at 6 MHz in all
    program = (delay * 13 + "3E38 D370 " + delay + "3E0C D370 " + delay
               + "3E48 D371 3E69 D371 F3 76")
    (tmp_path / "p.bin").write_bytes(bytes.fromhex(program))
    (tmp_path / "m.toml").write_text(
        '[slot.cpu]\ncard = "z80-cpu"\nclock = "6 MHz"\n[slot.memory]\ncard = "plain-memory"\n'
        'image = "p.bin"\n[slot.lcd]\ncard = "hd44780"\nbase = 0x70\n')
    result = CliRunner().invoke(group, ["boot", str(tmp_path / "m.toml"), "--limit", "1"])
    assert "|H               |" in result.output
    assert "  - lcd: 1 accesses were lost because it was busy, the last at T-state " in \
        result.output
