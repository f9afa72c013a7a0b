"""The flash chip against the data sheet of the 39SF010A/020A/040 (S71147)."""
from __future__ import annotations

from fractions import Fraction
from math import ceil
from pathlib import Path

import pytest
from card_bench import Bench
from memory_bench import erase_sector, peek, poke, program, unlock

from emu.files.image import load_image
from peripherals.banked_memory import CARD

# 32 KiB windows and paging off: both show flash page 0, so 5555h and 2AAAh stand where the
# sheet has them.
FLAT = {"window-size": 32768, "ram-page": 0x40}


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """Give a chip that holds 3Ch everywhere, at 4 MHz."""
    (tmp_path / "full.bin").write_bytes(b"\x3c" * 0x80000)
    return Bench(CARD, FLAT, hz="4 MHz", images={"image": load_image(tmp_path / "full.bin")})


@pytest.mark.parametrize(("size", "device"), [(128, 0xB5), (256, 0xB6), (512, 0xB7)])
def test_codes_of_the_family(size: int, device: int) -> None:
    """Table 4: BFh at A0 = 0, the device at A0 = 1; F0h leads back."""
    chip = Bench(CARD, {**FLAT, "flash-size": size << 10})
    before = peek(chip, 0), peek(chip, 1)
    unlock(chip, 0x90)
    assert (peek(chip, 0), peek(chip, 1)) == (0xBF, device)
    poke(chip, 0x1234, 0xF0)
    assert (peek(chip, 0), peek(chip, 1)) == before
    unlock(chip, 0x90)
    assert peek(chip, 0) == 0xBF
    unlock(chip, 0xF0)
    assert (peek(chip, 0), peek(chip, 1)) == before


# S71147: byte 14 us typical, 20 us at most; sector 18 ms, chip 70 ms typical.  The maxima of
# the erases, 25 ms and 100 ms, are from memory.
@pytest.mark.parametrize("hz", ["4 MHz", "6.144 MHz", "10 MHz"])
@pytest.mark.parametrize(("grade", "byte", "sector", "chip"), [
    ("typical", "0.000014", "0.018", "0.07"), ("maximum", "0.00002", "0.025", "0.1")])
def test_times_to_the_t_state(hz: str, grade: str, byte: str, sector: str, chip: str) -> None:
    def busy_for(kind: str) -> int:
        flash = Bench(CARD, {**FLAT, "flash-times": grade}, hz=hz)
        if kind == "byte":
            start = program(flash, 0x1000, 0x3C)
        elif kind == "sector":
            start = erase_sector(flash, 0x1000)
        else:
            unlock(flash, 0x80)
            poke(flash, 0x5555, 0xAA)
            poke(flash, 0x2AAA, 0x55)
            start = flash.t + 2
            poke(flash, 0x5555, 0x10)
        return int(flash.m.event_t[0]) - start

    clock = Bench(CARD, FLAT, hz=hz).hz
    assert busy_for("byte") == ceil(clock * Fraction(byte))
    assert busy_for("sector") == ceil(clock * Fraction(sector))
    assert busy_for("chip") == ceil(clock * Fraction(chip))


def test_20_us_are_80_t_states_at_4_mhz() -> None:
    chip = Bench(CARD, {**FLAT, "flash-times": "maximum"}, hz="4 MHz")
    start = program(chip, 0x2345, 0x3C)
    assert peek(chip, 0x2345, start + 79) != 0x3C
    assert peek(chip, 0x2345, start + 82) == 0x3C


def test_rewriting_the_chip_takes_what_the_sheet_says() -> None:
    """S71147: about 8 s for the whole 040: an erase and 512 Ki bytes at 14 us."""
    chip = Bench(CARD, FLAT, hz="4 MHz")
    start = program(chip, 0, 0)
    whole = (int(chip.m.event_t[0]) - start) * 0x80000 + Fraction("0.07") * chip.hz
    assert Fraction("7.3") < whole / chip.hz < 8


def test_busy_signs_while_programming(bench: Bench) -> None:
    """DQ7 is the inverse of the bit being written, DQ6 flips (S71147, write operation status)."""
    erase_sector(bench, 0x2345)
    bench.advance(bench.t + 80_000)
    start = program(bench, 0x2345, 0x3C)
    reads = [peek(bench, 0x2345, start + 10 * k) for k in range(1, 5)]
    assert [r >> 7 for r in reads] == [1, 1, 1, 1]
    assert [r >> 6 & 1 for r in reads] == [1, 0, 1, 0]
    assert [peek(bench, 0x2345, start + 60), peek(bench, 0x2345)] == [0x3C, 0x3C]


def test_dq7_is_0_when_a_1_is_programmed(bench: Bench) -> None:
    erase_sector(bench, 0x2345)
    bench.advance(bench.t + 80_000)
    start = program(bench, 0x2345, 0x9C)
    assert peek(bench, 0x2345, start + 10) & 0x80 == 0
    assert peek(bench, 0x2345, start + 60) == 0x9C


def test_busy_signs_while_erasing(bench: Bench) -> None:
    start = erase_sector(bench, 0x2345)
    reads = [peek(bench, 0x2345, start + 10 * k) for k in range(1, 4)]
    assert [r >> 7 for r in reads] == [0, 0, 0]
    assert [r >> 6 & 1 for r in reads] == [1, 0, 1]
    assert peek(bench, 0x2345, start + 72_000) == 0xFF


def test_an_erase_takes_one_sector_of_4_kib(bench: Bench) -> None:
    start = erase_sector(bench, 0x2FFF)
    bench.advance(start + 72_000)
    assert [peek(bench, a) for a in (0x1FFF, 0x2000, 0x2FFF, 0x3000)] == [0x3C, 0xFF, 0xFF, 0x3C]


def test_chip_erase_clears_all(bench: Bench) -> None:
    unlock(bench, 0x80)
    poke(bench, 0x5555, 0xAA)
    poke(bench, 0x2AAA, 0x55)
    poke(bench, 0x5555, 0x10)
    bench.advance(bench.t + 280_001)
    assert bytes(bench.m.phys[:0x80000]) == b"\xff" * 0x80000


def test_programming_only_clears_bits(bench: Bench) -> None:
    """S71147: the sector must be erased first; F0h over 3Ch leaves 30h."""
    start = program(bench, 0x2345, 0xF0)
    assert peek(bench, 0x2345, start + 60) == 0x30
    assert ("flash: 1 bytes programmed over zeros that no erase had removed, the last at 02345h"
            in bench.words())


def test_a_write_without_unlocking_changes_nothing(bench: Bench) -> None:
    poke(bench, 0x2345, 0x00)
    assert [peek(bench, 0x2345) for _ in range(3)] == [0x3C] * 3
    assert int(bench.m.rom_writes) == 1
    assert "flash: 1 writes belonged to no command, the last at 02345h" in bench.words()


# Only A14-A0 count (table 4), so other pages do as well when their low lines fit.
@pytest.mark.parametrize(("window", "pages", "first", "second"), [
    (16384, {0: 1, 1: 0}, 0x1555, 0x6AAA), (16384, {0: 0x0D, 1: 0x12}, 0x1555, 0x6AAA),
    (8192, {0: 2, 1: 1}, 0x1555, 0x2AAA), (8192, {0: 0x16, 1: 0x21}, 0x1555, 0x2AAA)])
def test_unlocking_through_windows(window: int, pages: dict[int, int], first: int,
                                   second: int) -> None:
    chip = Bench(CARD, {"window-size": window, "ram-page": 0x40, "paging": "always",
                        "reset-clears": ["pages"]})
    for register, page in pages.items():
        chip.write(register, page)
    unlock(chip, 0x90, first, second)
    assert [peek(chip, 0x8000), peek(chip, 0x8001)] == [0xBF, 0xB7]


@pytest.mark.parametrize("wrong", [(0x5554, 0x2AAA), (0x5555, 0x2AAB), (0x1555, 0x2AAA)])
def test_other_unlock_addresses_do_nothing(wrong: tuple[int, int]) -> None:
    chip = Bench(CARD, FLAT)
    unlock(chip, 0x90, *wrong)
    assert [peek(chip, 0), peek(chip, 1)] == [0xFF, 0xFF]


def test_write_protected_chip_never_gives_its_codes() -> None:
    chip = Bench(CARD, {**FLAT, "write-protect": True})
    unlock(chip, 0x90)
    assert [peek(chip, 0), peek(chip, 1)] == [0xFF, 0xFF]
    assert int(chip.m.rom_writes) == 3


def test_block_erase_of_other_families_is_not_known(bench: Bench) -> None:
    """Table 4 has no 50h."""
    unlock(bench, 0x80)
    poke(bench, 0x5555, 0xAA)
    poke(bench, 0x2AAA, 0x55)
    poke(bench, 0x2000, 0x50)
    assert peek(bench, 0x2000) == 0x3C
    assert int(bench.s.flash.stray) == 1
