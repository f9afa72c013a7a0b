"""The 29F flashes in the banked card's socket.

"F040B": Am29F040B data sheet 21445E5 p.11-16; "AS040": AS29F040 p.9 table 4; "F010B": Am29F010B;
"F016": Am29F016D notes.  "Derived" follows from them; times and the 29F010's codes are from memory.
"""
from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from card_bench import Bench
from memory_bench import opcode, peek, poke

from emu.files.image import load_image
from peripherals.banked_memory import CARD

HZ = 4_000_000
US = HZ // 1_000_000
PARTS = {"29f040b": (512, 64), "29f010b": (128, 16), "29f010": (128, 16)}  # KiB, a sector's


@pytest.fixture
def full(tmp_path: Path) -> dict[str, Any]:
    (tmp_path / "full.bin").write_bytes(b"\x3c" * 0x20000)
    return {"image": load_image(tmp_path / "full.bin")}


def chip(images: dict[str, Any], part: str = "29f040b", native: bool = False,
         **settings: Any) -> Bench:
    """A chip of 3Ch at 4 MHz, its pages of 32 KiB in the two windows."""
    return Bench(CARD, {"flash-part": part, "flash-size": PARTS[part][0] << 10,
                        "window-size": 32768, "ram-page": 0x40, "paging": "always",
                        "reset-clears": ["pages", "latch"],
                        **{k.replace("_", "-"): v for k, v in settings.items()}},
                 hz="4 MHz", images=images, native=native)


def unlock(b: Bench, command: int, first: int = 0x555, second: int = 0x2AA) -> None:
    poke(b, first, 0xAA)
    poke(b, second, 0x55)
    poke(b, first, command)


def program(b: Bench, address: int, value: int) -> None:
    unlock(b, 0xA0)
    poke(b, address, value)


def erase(b: Bench, address: int, first: int = 0x555, second: int = 0x2AA) -> None:
    unlock(b, 0x80, first, second)
    poke(b, first, 0xAA)
    poke(b, second, 0x55)
    poke(b, address, 0x30)


def codes(b: Bench) -> list[str]:
    return [trouble.code for trouble in CARD.troubles(b.m, b.s)]


@pytest.mark.parametrize(("part", "device"), [("29f040b", 0xA4), ("29f010b", 0x20)])
def test_codes(full: dict[str, Any], part: str, device: int) -> None:
    """AS040: maker 01h at A1,A0 = 00, device at 01, protection of the sector at 10: none."""
    b = chip(full, part)
    unlock(b, 0x90)
    assert [peek(b, a) for a in (0, 1, 2)] == [0x01, device, 0x00]
    poke(b, 0x1234, 0xF0)  # F016 note 6: F0h leaves it
    assert peek(b, 0) == 0x3C
    unlock(b, 0x90, 0x5555, 0x2AAA)  # derived: A10-A0 of 5555h are 555h
    assert peek(b, 0) == 0x01


def test_the_first_29f010_looks_at_more_lines(full: dict[str, Any]) -> None:  # from memory
    b = chip(full, "29f010")
    unlock(b, 0x90)
    assert peek(b, 0) == 0x3C
    unlock(b, 0x90, 0x5555, 0x2AAA)
    assert peek(b, 0) == 0x01


@pytest.mark.parametrize("native", [False, True])
def test_a_byte_is_programmed(full: dict[str, Any], native: bool) -> None:
    """F040B p.14: DQ7 is the inverse, DQ6 flips at each read of any address; 7 us, from memory."""
    b = chip(full, native=native)
    program(b, 0x2345, 0x0C)
    start = b.t - 1
    assert [peek(b, a) for a in (0x2345, 0x0000)] == [0xC0, 0x80]
    assert opcode(b) == 0xC0
    assert peek(b, 0x2345, start + 7 * US) == 0x0C
    assert peek(b, 0x2345) == 0x0C


@pytest.mark.parametrize("address", [0x10, 0x5000])
def test_a_one_over_a_zero_passes_the_limit(full: dict[str, Any], address: int) -> None:
    """F040B p.11: it may halt and set DQ5; p.16: until F0h; the byte reads as the AND of both."""
    b = chip(full)
    program(b, address, 0xF0)
    start = b.t - 1
    assert peek(b, address, start + 299 * US) & 0x20 == 0
    after = [peek(b, address, start + 301 * US), peek(b, address)]
    assert [byte & 0xA0 for byte in after] == [0x20, 0x20] and after[0] ^ after[1] == 0x40
    assert codes(b) == ["flash-over-zero"]
    poke(b, 0, 0xF0)
    assert peek(b, address) == 0x30
    b = chip(full, over_zero="and")  # the sheet's other outcome
    program(b, address, 0xF0)
    assert peek(b, address, b.t + 7 * US) == 0x30


def test_over_a_zero_mends(full: dict[str, Any]) -> None:
    b = chip(full)
    program(b, 0x10, 0xF0)
    b.advance(b.t + 400 * US)
    CARD.troubles(b.m, b.s)[0].mend(b.m, b.s)
    assert peek(b, 0x10) == 0xF0


@pytest.mark.parametrize(("part", "kib"), [("29f040b", 64), ("29f010b", 16)])
def test_a_sector_is_erased(full: dict[str, Any], part: str, kib: int) -> None:
    """F010B: 16 KiB a sector; a 29F040: 64 KiB (from memory); DQ3 and DQ7: F040B p.14-16."""
    b = chip(full, part)
    erase(b, 0x1000)  # derived: a 39SF driver that means 4 KiB
    start = b.t - 1
    first, second = peek(b, 0x1000), peek(b, 0x1000)
    assert first & 0xA8 == 0 and first ^ second == 0x44  # DQ6 and DQ2 flip
    assert peek(b, 0x1000, start + 51 * US) & 0x08
    b.advance(start + 2 * HZ)
    size = kib << 10
    base = int(b.m.mem_base[0])
    assert set(b.m.phys[base:base + size].tolist()) == {0xFF}
    assert int(b.m.phys[base + size]) == 0x3C
    assert f"{kib * 1024} bytes of which were not blank" in " ".join(b.words())


def test_further_sectors_within_50_us(full: dict[str, Any]) -> None:
    """F040B p.12: each further 30h begins the 50 us anew; behind them it is ignored."""
    b = chip(full, "29f010b")
    erase(b, 0x0000)
    poke(b, 0x4000, 0x30, b.t + 40 * US)
    assert b.s.large.chosen == 3
    assert peek(b, 0, b.t + 40 * US) & 0x08 == 0
    poke(b, 0x7000, 0x30, b.t + 60 * US)
    assert b.s.large.chosen == 3 and b.s.large.ignored == 1
    assert codes(b) == ["flash-not-awaited"]
    assert "a further sector, too late" in CARD.troubles(b.m, b.s)[0].evidence[1]
    b.advance(b.t + 2 * HZ)
    base = int(b.m.mem_base[0])
    assert [int(b.m.phys[base + k]) for k in (0, 0x7FFF, 0x8000)] == [0xFF, 0xFF, 0x3C]


def test_another_command_ends_the_50_us(full: dict[str, Any]) -> None:  # from memory
    b = chip(full)
    erase(b, 0x0000)
    poke(b, 0x555, 0xAA)
    b.advance(b.t + 2 * HZ)
    assert peek(b, 0) == 0x3C


def test_suspend_and_resume(full: dict[str, Any]) -> None:
    """F040B p.12: up to 20 us; other sectors read and program; 30h anywhere resumes."""
    b = chip(full, "29f010b")
    erase(b, 0x0000)
    b.advance(b.t + 1000 * US)
    poke(b, 0x1234, 0xB0)
    assert peek(b, 0x5000) & 0x80 == 0  # still busy
    b.advance(b.t + 21 * US)
    assert peek(b, 0x5000) == 0x3C
    inside = [peek(b, 0x0100) for _ in range(3)]
    assert [byte & 0x80 for byte in inside] == [0x80] * 3  # p.14: DQ7 is 1 when suspended
    assert len({byte & 0x44 for byte in inside}) == 2  # DQ2 flips, DQ6 stands
    program(b, 0x5000, 0x0C)
    b.advance(b.t + 8 * US)
    assert peek(b, 0x5000) == 0x0C
    poke(b, 0x7000, 0x30)
    assert peek(b, 0x5000) & 0x08
    b.advance(b.t + HZ)
    assert (peek(b, 0x0100), peek(b, 0x5000)) == (0xFF, 0x0C)


def test_suspend_within_the_50_us_is_at_once_and_in_a_chip_erase_nothing(
        full: dict[str, Any]) -> None:  # F040B p.12
    b = chip(full)
    erase(b, 0x0000)
    poke(b, 0, 0xB0, b.t + 10 * US)
    assert b.s.large.asleep == 1
    b = chip(full)
    unlock(b, 0x80)
    unlock(b, 0x10)
    b.advance(b.t + 100 * US)
    poke(b, 0, 0xB0)
    b.advance(b.t + 100 * US)
    assert b.s.large.asleep == 0 and b.s.large.ignored == 1
    b.advance(b.t + 8 * HZ)
    base = int(b.m.mem_base[0])
    assert set(b.m.phys[base:base + 0x80000].tolist()) == {0xFF}


def test_it_outlives_a_reset(full: dict[str, Any]) -> None:
    b = chip(full)
    erase(b, 0x0000)
    b.advance(b.t + 100 * US)
    b.reset()
    assert peek(b, 0) & 0x80 == 0
    b.advance(b.t + 2 * HZ)
    assert peek(b, 0) == 0xFF


def test_not_waiting_is_told_and_mends(full: dict[str, Any]) -> None:
    b = chip(full)
    erase(b, 0x8000)  # the second window shows page 0, too
    peek(b, 0, b.t + 25_000 * US)
    assert codes(b) == []  # it looked just now
    b.advance(b.t + 2000 * US)
    assert codes(b) == ["flash-not-awaited"]
    CARD.troubles(b.m, b.s)[0].mend(b.m, b.s)
    b.advance(b.t + 2)
    assert peek(b, 0) == 0xFF


def test_an_erase_of_the_running_code_is_told(full: dict[str, Any]) -> None:
    b = chip(full)
    b.m.pc = 0x0123
    erase(b, 0x7000)
    b.advance(b.t + 2 * HZ)
    assert "flash-own-sector" in codes(b)
    b.m.pc = 0x0123
    assert "00123h of the chip" in CARD.troubles(b.m, b.s)[0].evidence[1]
