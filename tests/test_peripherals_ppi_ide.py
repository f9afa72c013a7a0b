"""A 16-bit IDE drive behind an 8255: registers, words, mode words that take the lines away.

The sequences are common practice for such boards; what follows from the chip's rules (a mode word
clears port C: Intel 231256-004) is derived.  The drive's tables: test_published_compactflash.py.
"""
from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from card_bench import Bench

from emu.backplane.description import load
from emu.errors import InputError
from emu.media.bay import BLOCK, Bay, Original
from emu.testing.card_contract import complaints
from peripherals.compactflash_identity import identity
from peripherals.ppi_ide import CARD

SECTORS = 256
IMAGE = b"".join(bytes((k * 7 + n) & 0xFF for n in range(BLOCK)) for k in range(SECTORS))
READ, WRITE = 0x92, 0x80  # mode words: A and B in, or out
DIOR, DIOW, CS0, CS1, A0, RESET = 0, 1, 2, 3, 4, 7  # bits of port C
ERROR, COUNT, LBA0, HEAD, STATUS = 1, 2, 3, 6, 7


class Drive(Bench):
    """A drive that is spoken to as a driver would."""

    def __init__(self, image: bytes | None = IMAGE, settings: Mapping[str, Any] | None = None,
                 native: bool = False) -> None:
        self.bay = Bay("ide.medium", None if image is None else Original(None, image))
        super().__init__(CARD, settings, bays={"medium": self.bay}, native=native)

    def mode(self, word: int) -> None:
        self.write("control", word, self.t + 11)

    def name(self, register: int, select: int = CS0) -> None:
        self.write("port-c", register << A0 | 1 << select, self.t + 11)

    def bit(self, number: int, on: int) -> None:
        self.write("control", number << 1 | on, self.t + 11)

    def get(self, register: int, select: int = CS0) -> int:
        """Read a register: eight bits."""
        self.name(register, select)
        self.bit(DIOR, 1)
        value = self.read("port-a", self.t + 11)
        self.bit(DIOR, 0)
        return value

    def word(self) -> int:
        self.bit(DIOR, 1)
        value = self.read("port-a", self.t + 11) | self.read("port-b", self.t + 11) << 8
        self.bit(DIOR, 0)
        return value

    def put(self, register: int, value: int) -> None:
        """Write a register, and turn the ports round for reading again."""
        self.mode(WRITE)
        self.name(register)
        self.write("port-a", value, self.t + 11)
        self.bit(DIOW, 1)
        self.bit(DIOW, 0)
        self.mode(READ)

    def ready(self) -> int:
        for _ in range(10_000):
            status = self.get(STATUS)
            if not status & 0x80:
                return status
            self.advance(self.t + 100)
        raise AssertionError("busy for ever")

    def command(self, code: int, lba: int = 0, features: int = 0) -> int:
        self.ready()
        for register, value in ((ERROR, features), (COUNT, 1), (LBA0, lba), (4, 0), (5, 0),
                                (HEAD, 0xE0), (STATUS, code)):
            self.put(register, value)
        return self.ready()

    def sector(self) -> bytes:
        self.name(0)
        return b"".join(self.word().to_bytes(2, "little") for _ in range(BLOCK // 2))

    def codes(self) -> list[str]:
        return [trouble.code for trouble in CARD.troubles(self.m, self.s)]


def started(image: bytes | None = IMAGE, native: bool = False, **settings: Any) -> Drive:
    bench = Drive(image, {k.replace("_", "-"): v for k, v in settings.items()}, native)
    bench.mode(READ)
    return bench


def test_before_the_first_mode_word_the_drive_is_in_reset() -> None:
    """Derived: all lines of an 8255 are inputs after RESET, and the inverters see them high."""
    bench = Drive()
    assert CARD.complaints(bench.m, bench.s)[0].code == "held-in-reset"
    bench.mode(READ)
    assert bench.get(STATUS) == 0x80  # it starts up
    assert bench.ready() == 0x50
    assert [bench.get(k) for k in (ERROR, COUNT, LBA0)] == [1, 1, 1]  # the signature


@pytest.mark.parametrize("native", [False, True])
def test_a_sector_is_read_in_words(native: bool) -> None:
    bench = started(native=native)
    assert bench.command(0x20, 5) == 0x58
    assert bench.sector() == IMAGE[5 * BLOCK:6 * BLOCK]
    assert bench.ready() == 0x50
    assert CARD.risks(bench.m, bench.s) == [] and bench.codes() == ["foreign-sector"]


@pytest.mark.parametrize("native", [False, True])
def test_a_sector_is_written_in_words(native: bool) -> None:
    bench = started(native=native)
    assert bench.command(0x30, 3) == 0x58
    bench.mode(WRITE)
    bench.name(0)
    for n in range(BLOCK // 2):
        bench.write("port-a", n & 0xFF, bench.t + 11)
        bench.write("port-b", 0xA5, bench.t + 11)
        bench.bit(DIOW, 1)
        bench.bit(DIOW, 0)
    bench.mode(READ)
    assert bench.ready() == 0x50
    bench.serve()
    assert bench.bay.block(3) == bytes(b for n in range(256) for b in (n, 0xA5))


def test_a_hand_protects_the_card_while_it_runs() -> None:
    """Write commands end with ABRT then (CF manual, from memory); the image stays."""
    bench = started()
    CARD.live["write-protect"](bench.m, bench.s, True)
    assert bench.command(0x30, 3) & 0x01 and bench.get(ERROR) & 0x04
    CARD.live["write-protect"](bench.m, bench.s, False)
    assert bench.command(0x30, 3) == 0x58


def test_identify_gives_the_low_byte_at_port_a() -> None:
    bench = started()
    assert bench.command(0xEC) == 0x58
    first = identity(SECTORS)[:2]
    bench.name(0)
    assert bench.word() == first[0] | first[1] << 8 == 0x848A  # CFM table 5-8


def test_alternate_status_stands_behind_cs1() -> None:
    bench = started()
    bench.ready()
    assert bench.get(6, CS1) == 0x50
    assert bench.get(5, CS1) == 0xFF  # nobody answers


def test_a_mode_word_takes_the_select_away() -> None:
    """Derived: 92h, C = select, then 80h without writing C again: C reads 00h, CS0 is gone."""
    bench = started()
    bench.ready()
    bench.name(STATUS)
    assert bench.read("port-c") == STATUS << A0 | 1 << CS0
    bench.mode(WRITE)
    assert bench.read("port-c") == 0
    bench.write("port-a", 0xEC, bench.t + 11)
    bench.bit(DIOW, 1)
    bench.bit(DIOW, 0)
    assert bench.s.drive.commands == 0
    assert bench.codes() == ["ide-unselected"]
    trouble = CARD.troubles(bench.m, bench.s)[0]
    assert "register 7 (status)" in trouble.evidence[1]
    trouble.mend(bench.m, bench.s)
    assert bench.s.drive.command == 0xEC


def test_reading_with_the_ports_as_outputs_is_a_fight() -> None:
    bench = started()
    bench.ready()
    bench.mode(WRITE)
    bench.write("port-a", 0x5A, bench.t + 11)
    assert bench.get(STATUS) == 0x5A  # the chip's own latch
    assert bench.codes() == ["ide-fight"]
    CARD.troubles(bench.m, bench.s)[0].mend(bench.m, bench.s)
    assert bench.get(STATUS) == 0x50


def test_half_a_word_is_told() -> None:
    bench = started()
    bench.command(0x20)
    for _ in range(BLOCK // 2):
        bench.get(0)
    assert bench.ready() == 0x50
    assert "256 words of data of which port B was not read" in CARD.risks(bench.m, bench.s)[0]


def test_eight_bit_mode_gives_a_byte_a_strobe() -> None:
    bench = started()
    assert bench.command(0xEF, features=1) == 0x50
    assert bench.command(0x20, 2) == 0x58
    bench.name(0)
    assert [bench.word() for _ in range(4)] == [0xFF00 | byte for byte in IMAGE[1024:1028]]
    assert bench.codes()[0] == "ide-8-bit-mode"
    CARD.troubles(bench.m, bench.s)[0].mend(bench.m, bench.s)
    assert bench.ready() == 0x50


def test_without_inverters_a_mode_word_resets_the_drive() -> None:
    """Derived: a mode word clears port C, and 00h makes all five lines active."""
    bench = Drive(settings={"inverters": False})
    bench.mode(READ)
    bench.write("port-c", 0xFF, bench.t + 11)
    bench.advance(bench.t + 400_000)
    assert bench.s.drive.busy == 0
    bench.mode(READ)
    bench.write("port-c", 0xFF, bench.t + 11)
    assert bench.s.drive.busy == 1
    assert bench.codes() == ["ide-reset-by-mode"]
    CARD.troubles(bench.m, bench.s)[0].mend(bench.m, bench.s)
    bench.advance(bench.t + 10)
    bench.mode(READ)
    assert bench.s.drive.busy == 0


def test_without_inverters_a_program_sends_the_levels_themselves() -> None:
    bench = Drive(settings={"inverters": False})
    bench.mode(READ)
    rest = 1 << RESET | 1 << CS1 | 1 << DIOW
    bench.write("port-c", rest | 1 << DIOR | STATUS << A0, bench.t + 11)  # CS0 active
    bench.advance(bench.t + 400_000)
    bench.bit(DIOR, 0)
    assert bench.read("port-a") == 0x50


def test_an_empty_socket_and_failures_are_told_by_register() -> None:
    bench = started(None)
    assert bench.get(STATUS) == 0xFF
    trouble = CARD.troubles(bench.m, bench.s)[0]
    assert trouble.code == "no-card" and "register 7 (status)" in trouble.evidence[0]
    bench = started(bad_sectors=[4])
    assert bench.command(0x20, 4) == 0x51
    assert "failed-command" in bench.codes()


def test_lines_need_a_bit_each() -> None:
    with pytest.raises(InputError, match="need a bit of port C each"):
        Drive(settings={"dior-bit": 1})


def test_other_bits_for_the_lines() -> None:
    bench = Drive(settings={"a0-bit": 0, "dior-bit": 3, "diow-bit": 4, "cs0-bit": 5,
                            "cs1-bit": 6})
    bench.mode(READ)
    bench.advance(bench.t + 400_000)
    bench.write("port-c", STATUS | 1 << 5, bench.t + 11)
    bench.write("control", 3 << 1 | 1, bench.t + 11)
    assert bench.read("port-a") == 0x50


def test_a_run_is_the_same_however_it_is_made(roms: Path) -> None:
    machine = load(roms / "drivers" / "ide" / "ide.toml")
    assert complaints(machine, Fraction(1, 10)) == []
