"""The 28C EEPROMs in a memory card's ROM socket.

"C256": AT28C256 data sheet 0006K p.3; "C64B": AT28C64B 0270L p.4; "C64": AT28C64; "MCHP": the same
parts in the maker's on-line sheets.  "Derived" follows from them; the rest says what it is.
"""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from card_bench import Bench
from memory_bench import opcode, peek, poke, unlock

from emu.bus.state import CALL
from emu.errors import InputError
from emu.files.image import load_image
from peripherals import banked_memory
from peripherals.plain_memory import CARD

HZ = 4_000_000
WINDOW = 150 * HZ // 1_000_000  # C256 4.3: the next byte within 150 us
TYPICAL, MAXIMUM = 5 * HZ // 1000, 10 * HZ // 1000  # 10 ms at most: C256; 5 ms from memory


@pytest.fixture
def full(tmp_path: Path) -> dict[str, Any]:
    (tmp_path / "full.bin").write_bytes(b"\x3c" * 0x2000)
    return {"image": load_image(tmp_path / "full.bin")}


def chip(images: dict[str, Any], part: str = "28c256", native: bool = False,
         **settings: Any) -> Bench:
    """A chip at 4 MHz that holds 3Ch in its first 8 KiB."""
    return Bench(CARD, {"rom-part": part, **{k.replace("_", "-"): v for k, v in settings.items()}},
                 hz="4 MHz", images=images, native=native)


def codes(b: Bench) -> list[str]:
    return [trouble.code for trouble in CARD.troubles(b.m, b.s)]


def wait(b: Bench) -> None:
    b.advance(b.t + WINDOW + MAXIMUM + 10)


@pytest.mark.parametrize("native", [False, True])
def test_a_byte_and_how_it_is_polled(full: dict[str, Any], native: bool) -> None:
    """C64B 4.4: I/O7 is the inverse; 4.5: I/O6 flips at each read, until it is done."""
    b = chip(full, native=native)
    assert int(b.m.read_base[1]) >= 0
    poke(b, 0x1000, 0xC3)
    start = b.t - 1  # T3 of the write, in which the chip takes it
    assert int(b.m.read_base[1]) == CALL
    seen = [peek(b, 0x1000) for _ in range(4)]
    assert [byte >> 7 for byte in seen] == [0, 0, 0, 0]
    assert seen[0] & 0x40 != seen[1] & 0x40 == seen[3] & 0x40 != seen[2] & 0x40
    assert peek(b, 0x0000) & 0x80 == 0  # C256 4.2: any read is a polling read
    assert opcode(b) & 0xBF == 0  # derived: an opcode fetch, too
    end = start + WINDOW + TYPICAL
    assert peek(b, 0x1000, end - 1) & 0x80 == 0
    assert peek(b, 0x1000, end + 4) == peek(b, 0x1000) == 0xC3
    assert int(b.m.read_base[1]) >= 0


def test_times_by_grade(full: dict[str, Any]) -> None:
    for grade, cycle in (("typical", TYPICAL), ("maximum", MAXIMUM)):
        b = chip(full, flash_times=grade)
        poke(b, 0x1000, 0xC3)
        assert int(b.m.event_t[0]) == b.t - 1 + WINDOW + cycle
    b = chip(full, "28c64")
    poke(b, 0x1000, 0xC3)
    assert int(b.m.event_t[0]) == b.t - 1 + HZ // 1000  # C64: 1 ms, from memory


def test_a_page_is_stored_in_one_cycle(full: dict[str, Any]) -> None:
    """C256 4.3: 1 to 64 bytes, in any order; bytes not written keep what they had."""
    b = chip(full)
    for k in (5, 1, 63, 0):
        poke(b, 0x1000 + k, 0x80 + k)
    poke(b, 0x1001, 0x11)  # written again in the same window: the last counts
    assert b.s.eeprom.cycles == 1
    wait(b)
    assert [peek(b, 0x1000 + k) for k in (0, 1, 2, 5, 63)] == [0x80, 0x11, 0x3C, 0x85, 0xBF]


def test_a_write_behind_the_window_is_ignored(full: dict[str, Any]) -> None:
    """Derived: 11h at 1000h, 200 us later 22h at 1001h: that one is lost."""
    b = chip(full)
    poke(b, 0x1000, 0x11)
    poke(b, 0x1001, 0x22, b.t + 200 * 4)
    wait(b)
    assert (peek(b, 0x1000), peek(b, 0x1001)) == (0x11, 0x3C)
    assert codes(b) == ["eeprom-hasty"]
    assert int(b.m.rom_writes) == 1
    CARD.troubles(b.m, b.s)[0].mend(b.m, b.s)
    assert peek(b, 0x1001) == 0x22


def test_the_window_begins_anew_with_each_byte(full: dict[str, Any]) -> None:  # C256 4.3
    b = chip(full)
    for k in range(8):
        poke(b, 0x1000 + k, 0x40 + k, b.t + WINDOW - 20)
    wait(b)
    assert [peek(b, 0x1000 + k) for k in range(8)] == list(range(0x40, 0x48))


def test_a_load_over_the_end_of_its_page(full: dict[str, Any]) -> None:
    """Derived: 1030h..104Fh needs a split at 1040h; what the chip does is from memory."""
    b = chip(full)
    for k in range(32):
        poke(b, 0x1030 + k, k)
    wait(b)
    assert [peek(b, 0x1030 + k) for k in range(32)] != list(range(32))
    assert codes(b) == ["eeprom-page-crossed"]
    CARD.troubles(b.m, b.s)[0].mend(b.m, b.s)
    assert [peek(b, 0x1030 + k) for k in range(32)] == list(range(32))


# --- software protection ---------------------------------------------------------------------
KEYS = {"28c256": (0x5555, 0x2AAA), "28c64b": (0x1555, 0x0AAA)}  # C256; 28C64B derived


@pytest.mark.parametrize("part", KEYS)
def test_protection_is_switched_on_and_off(full: dict[str, Any], part: str) -> None:
    """MCHP: the prefix switches it on, only the six bytes off; nothing of them is stored."""
    first, second = KEYS[part]
    b = chip(full, part, rom_size=0x8000 if part == "28c256" else 0x2000)
    before = peek(b, first), peek(b, second)
    unlock(b, 0xA0, first, second)
    wait(b)
    assert b.s.eeprom.locked == 1
    poke(b, 0x0100, 0x55)  # without the prefix: busy for a cycle, and the old byte (MCHP)
    assert peek(b, 0x0100) & 0x80
    wait(b)
    assert peek(b, 0x0100) == 0x3C
    assert codes(b) == ["eeprom-protected"]
    unlock(b, 0xA0, first, second)
    poke(b, 0x0100, 0x55)
    wait(b)
    assert peek(b, 0x0100) == 0x55
    unlock(b, 0x80, first, second)
    unlock(b, 0x20, first, second)
    wait(b)
    poke(b, 0x0200, 0x66)
    wait(b)
    assert peek(b, 0x0200) == 0x66
    assert (peek(b, first), peek(b, second)) == before


def test_data_may_follow_the_sequences_at_once(full: dict[str, Any]) -> None:  # MCHP; C64B
    b = chip(full, software_protected=True)
    unlock(b, 0x80)
    unlock(b, 0x20)
    poke(b, 0x0300, 0x77)
    wait(b)
    assert peek(b, 0x0300) == 0x77 and b.s.eeprom.locked == 0


def test_a_pause_in_the_prefix_makes_it_none(full: dict[str, Any]) -> None:
    """MCHP: the bytes of a sequence obey the 150 us, too."""
    b = chip(full)
    poke(b, 0x5555, 0xAA)
    poke(b, 0x2AAA, 0x55)
    poke(b, 0x5555, 0xA0, b.t + 200 * 4)
    wait(b)
    assert b.s.eeprom.locked == 0


def test_protection_outlives_a_reset_and_mends(full: dict[str, Any]) -> None:
    b = chip(full, software_protected=True)
    b.reset()
    poke(b, 0x0100, 0x99)
    wait(b)
    trouble = CARD.troubles(b.m, b.s)[0]
    assert "AAh to 5555h" in trouble.remedy[0]
    trouble.mend(b.m, b.s)
    assert peek(b, 0x0100) == 0x99


def test_commands_of_a_flash_are_none(full: dict[str, Any]) -> None:
    """Derived: AA/55/80/AA/55/30 is no command of an EEPROM."""
    b = chip(full)
    unlock(b, 0x80)
    poke(b, 0x5555, 0xAA)
    poke(b, 0x2AAA, 0x55)
    poke(b, 0x1000, 0x30)
    wait(b)
    assert peek(b, 0x1000) == 0x30  # just a byte
    assert "1 erase commands" in " ".join(b.words())


def test_the_part_without_pages_takes_single_bytes(full: dict[str, Any]) -> None:
    """C64: no pages, no protection; the end is seen at I/O7 alone."""
    b = chip(full, "28c64")
    unlock(b, 0xA0)
    wait(b)
    assert b.s.eeprom.locked == 0 and b.s.eeprom.missed == 2
    poke(b, 0x1000, 0xC3)
    assert [peek(b, 0x1000) for _ in range(3)] == [0, 0, 0]


# --- in the cards ----------------------------------------------------------------------------
def test_a_smaller_chip_shows_again(full: dict[str, Any]) -> None:
    b = chip(full, "28c64b")
    poke(b, 0x4010, 0xA5)
    wait(b)
    assert [peek(b, a) for a in (0x0010, 0x2010, 0x4010, 0x6010)] == [0xA5] * 4


def test_write_protect_and_the_ram_under_it(full: dict[str, Any]) -> None:
    b = chip(full, write_protect=True)
    poke(b, 0x1000, 0x11)
    assert (peek(b, 0x1000), int(b.m.rom_writes)) == (0x3C, 1)
    CARD.live["write-protect"](b.m, b.s, False)
    poke(b, 0x1000, 0x11)
    wait(b)
    assert peek(b, 0x1000) == 0x11
    b = chip(full, write_under=True, ram_start=0, ram_size=0x10000)
    poke(b, 0x1000, 0x22)  # a ROM that is selected for writes to the RAM under it, too
    wait(b)
    assert peek(b, 0x1000) == 0x22


def test_a_plain_rom_takes_nothing(full: dict[str, Any]) -> None:
    b = chip(full, "rom")
    poke(b, 0x1000, 0x11)
    assert (peek(b, 0x1000), int(b.m.rom_writes), codes(b)) == (0x3C, 1, [])


def test_a_part_of_another_size_is_refused(full: dict[str, Any]) -> None:
    with pytest.raises(InputError, match="rom-part = '28c256' has 8000h bytes"):
        chip(full, rom_size=0x2000)
    with pytest.raises(InputError, match="flash-part = '28c256' has 32768 bytes"):
        Bench(banked_memory.CARD, {"flash-part": "28c256"})


def test_one_behind_windows() -> None:
    b = Bench(banked_memory.CARD, {"flash-part": "28c256", "flash-size": 32768}, hz="4 MHz")
    poke(b, 0x0123, 0x5A)  # paging is off: every window shows page 0
    b.advance(b.t + WINDOW + TYPICAL + 4)
    assert peek(b, 0x0123) == peek(b, 0x2123) == 0x5A
    assert Fraction(int(b.s.eeprom.cycle), HZ) == Fraction(5, 1000)
