"""The CompactFlash card at its registers: transfers, 8-bit mode, CHS, errors, media."""
from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from card_bench import Bench

from emu.backplane.description import load
from emu.machine.machine import Machine
from emu.media.bay import BLOCK, Bay, Original
from emu.media.files import open_blocks
from emu.run.kept_media import keep_media
from emu.run.medium_change import change
from emu.run.script import read_script
from emu.run.session import Session
from emu.testing.card_contract import complaints
from peripherals.compactflash import CARD
from peripherals.compactflash_identity import geometry, identity

SECTORS = 2048
IMAGE = b"".join(bytes((k * 7 + n) & 0xFF for n in range(BLOCK)) for k in range(SECTORS))


class Socket(Bench):
    """A card in its socket, read and written as a driver would."""

    def __init__(self, image: bytes | None = IMAGE, settings: Mapping[str, Any] | None = None,
                 protected: bool = False, native: bool = False) -> None:
        original = None if image is None else Original(None, image, protected=protected)
        self.bay = Bay("cf.medium", original)
        super().__init__(CARD, settings, bays={"medium": self.bay}, native=native)

    def ready(self) -> int:
        """Wait until BSY is 0: the status."""
        for _ in range(10_000):
            status = self.read("status", self.t + 50)
            if not status & 0x80:
                return status
        raise AssertionError("busy for ever")

    def command(self, code: int, lba: int = 0, count: int = 1, features: int = 0,
                head: int | None = None) -> int:
        self.ready()
        self.write("error", features, self.t + 20)
        self.write("count", count & 0xFF)
        for k in range(3):
            self.write(f"lba{k}", lba >> 8 * k & 0xFF)
        self.write("head", 0xE0 | lba >> 24 if head is None else head)
        self.write("status", code)
        return self.read("status", self.t + 10)

    def eight_bits(self) -> None:
        self.command(0xEF, features=1)
        assert self.ready() == 0x50

    def take(self, count: int = BLOCK) -> bytes:
        return bytes(self.read("data", self.t + 21) for _ in range(count))

    def give(self, data: bytes) -> None:
        for byte in data:
            self.write("data", byte, self.t + 21)


def card(**more: Any) -> Socket:
    socket = Socket(**more)
    socket.eight_bits()
    return socket


@pytest.mark.parametrize("native", [False, True])
def test_read_sectors(native: bool) -> None:
    socket = card(native=native)
    assert socket.command(0x20, 5, 3) == 0x80
    for lba in (5, 6, 7):
        assert socket.ready() == 0x58
        assert socket.take() == IMAGE[lba * BLOCK:(lba + 1) * BLOCK]
    assert socket.ready() == 0x50
    assert socket.read("count") == 0
    assert [socket.read(f"lba{k}") for k in range(3)] == [7, 0, 0]


def test_count_0_is_256_sectors() -> None:
    socket = card(native=True)
    socket.command(0x20, 0, 0)
    for lba in range(256):
        assert socket.ready() == 0x58, lba
        socket.take()
    assert socket.ready() == 0x50


def test_write_sectors_and_read_them_back() -> None:
    socket = card()
    new = bytes(255 - n & 0xFF for n in range(BLOCK))
    assert socket.command(0x30, 9, 2) == 0x80
    assert socket.ready() == 0x58
    socket.give(new)
    assert socket.read("status") == 0x80
    assert socket.ready() == 0x58
    socket.give(new[::-1])
    assert socket.ready() == 0x50
    assert (socket.bay.block(9), socket.bay.block(10)) == (new, new[::-1])
    assert socket.bay.original.block(9) == IMAGE[9 * BLOCK:10 * BLOCK]
    socket.command(0x20, 9)
    socket.ready()
    assert socket.take() == new


def test_busy_times_are_the_jumpers() -> None:
    socket = Socket(settings={"ready-time": 1000, "read-time": 100, "write-time": 2000})
    assert socket.read("status", 6143) == 0x80  # 1 ms at 6.144 MHz: 6144 T-states
    assert socket.read("status", 6144) == 0x50
    socket.eight_bits()
    socket.command(0x20, 0)
    start = socket.t - 10
    assert socket.read("status", start + 614) == 0x80
    assert socket.read("status", start + 615) == 0x58
    socket.take()
    socket.command(0x30, 0)
    socket.ready()
    socket.give(bytes(BLOCK))
    start = socket.t
    assert socket.read("status", start + 12287) == 0x80
    assert socket.read("status", start + 12288) == 0x50


def test_while_busy_every_register_gives_the_status_and_takes_nothing() -> None:
    socket = card()
    socket.command(0x20, 3)
    assert [socket.read(r) for r in ("error", "count", "lba0", "head", "control")] == [0x80] * 5
    socket.write("lba0", 77)
    assert socket.ready() == 0x58
    assert socket.read("lba0") == 3


def test_chs_names_the_same_sectors() -> None:
    socket = card()
    heads, sectors = geometry(SECTORS)[1:]
    cylinder, head, sector = 2, heads - 1, sectors  # the last sector of a cylinder
    lba = (cylinder * heads + head) * sectors + sector - 1
    socket.command(0x20, sector | cylinder << 8, 2, head=0xA0 | head)
    for k in range(2):
        assert socket.ready() == 0x58
        assert socket.take() == IMAGE[(lba + k) * BLOCK:(lba + k + 1) * BLOCK]
    assert [socket.read(r) for r in ("lba0", "lba1", "head")] == [1, cylinder + 1, 0xA0]
    socket.command(0x91, 0, 16, head=0xA0 | 1)  # 2 heads of 16 sectors
    assert socket.ready() == 0x50
    socket.command(0x20, 16 | 3 << 8, head=0xA1)
    socket.ready()
    lba = (3 * 2 + 1) * 16 + 15
    assert socket.take() == IMAGE[lba * BLOCK:(lba + 1) * BLOCK]


@pytest.mark.parametrize(("code", "lba", "head", "error"), [
    (0x20, SECTORS, None, 0x10), (0x30, SECTORS, None, 0x10), (0x40, SECTORS, None, 0x10),
    (0x20, 0, 0xA0, 0x10), (0x20, 33, 0xA0, 0x10),  # sector 0; a track has 32
    (0x20, 1, 0xAF, 0x10),  # no such head
    (0x00, 0, None, 0x04), (0xC4, 0, None, 0x04), (0xD0, 0, None, 0x04),
])
def test_errors(code: int, lba: int, head: int | None, error: int) -> None:
    socket = card()
    socket.command(code, lba, 4, head=head)
    assert socket.ready() == 0x51
    assert socket.read("error") == error
    assert socket.read("count") == 4
    socket.command(0x20, 1)
    assert socket.ready() == 0x58


def test_a_read_past_the_end_leaves_the_count_of_what_is_missing() -> None:
    socket = card()
    socket.command(0x20, SECTORS - 1, 5)
    assert socket.ready() == 0x58
    socket.take()
    assert socket.ready() == 0x51
    assert (socket.read("error"), socket.read("count")) == (0x10, 4)


def test_a_protected_card_aborts_writes() -> None:
    socket = card(protected=True)
    socket.command(0x30, 1)
    assert socket.ready() == 0x51 and socket.read("error") == 0x04


def test_read_multiple_of_one() -> None:
    socket = card()
    socket.command(0xC6, count=4)
    assert socket.ready() == 0x51
    socket.command(0xC6, count=1)
    assert socket.ready() == 0x50
    socket.command(0xC4, 7)
    socket.ready()
    assert socket.take() == IMAGE[7 * BLOCK:8 * BLOCK]


def test_buffer_commands() -> None:
    socket = card()
    data = bytes(range(256)) * 2
    assert socket.command(0xE8) == 0x80
    assert socket.ready() == 0x58
    socket.give(data)
    assert socket.ready() == 0x50
    socket.command(0xE4)
    assert socket.ready() == 0x58
    assert socket.take() == data
    assert not socket.bay.pieces


def test_without_8_bit_mode_every_second_byte_is_lost() -> None:
    socket = Socket()
    socket.command(0x20, 1)
    socket.ready()
    assert socket.take(256) == IMAGE[BLOCK:2 * BLOCK:2]
    assert socket.ready() == 0x50
    assert socket.read("data") == 0xFF
    assert "256 bytes lost: data was moved in 16-bit mode over eight lines" in socket.words()
    socket.command(0x30, 2)
    socket.ready()
    socket.give(bytes(256))
    socket.ready()
    assert socket.bay.block(2) == b"\x00\xff" * 256


def test_reset_turns_the_8_bit_mode_off() -> None:
    socket = card()
    socket.reset()
    socket.command(0x20, 1)
    socket.ready()
    assert socket.take(4) == IMAGE[BLOCK:BLOCK + 8:2]


def test_a_held_strobe_gives_the_same_byte_for_ever() -> None:
    socket = card(settings={"data-strobe": "held"})
    socket.command(0xEC)
    assert socket.ready() == 0x58
    assert socket.take(600) == b"\x8A" * 600
    assert socket.ready() == 0x58


def test_an_empty_socket_floats_and_drive_1_answers_00() -> None:
    empty = Socket(image=None)
    assert {empty.read(r, empty.t + 30) for r in CARD.registers} == {-1}
    assert empty.words()[1] == "1 status reads"
    socket = card()
    socket.write("head", 0xF0, socket.t + 20)
    assert socket.read("status") == 0
    socket.write("status", 0x20)
    assert socket.read("status", socket.t + 5000) == 0
    socket.write("head", 0xE0)
    assert socket.read("status") == 0x50


def test_software_reset() -> None:
    socket = card()
    socket.command(0x20, 300)
    socket.write("control", 0x04, socket.t + 100)
    assert socket.read("status", socket.t + 10_000_000) == 0x80
    socket.write("control", 0x00)
    assert socket.ready() == 0x50
    assert [socket.read(r) for r in ("error", "count", "lba0", "lba1", "lba2", "head")] == [
        1, 1, 1, 0, 0, 0]


def test_interrupts() -> None:
    socket = Socket(settings={"interrupt": True})
    socket.eight_bits()
    assert socket.int_line == 0
    socket.write("status", 0x20)
    assert socket.int_line == 0
    socket.advance(socket.t + 5000)
    assert socket.int_line == 1
    socket.read("control")  # the alternate status leaves it
    assert socket.int_line == 1
    socket.read("status")
    assert socket.int_line == 0
    socket.write("control", 0x02)
    socket.take()
    socket.command(0x30, 4)
    socket.ready()
    socket.give(bytes(BLOCK))
    socket.advance(socket.t + 20_000)
    assert socket.int_line == 0


def test_identify_for_a_128_mb_card() -> None:
    words = identity(256_000)
    assert [int.from_bytes(words[2 * k:2 * k + 2], "little") for k in (1, 3, 6)] == [1000, 8, 32]
    socket = card()
    socket.command(0xEC)
    socket.ready()
    data = socket.take()
    assert data[54:74] == b"RPBERU NFC          "  # words hold the first character high
    assert int.from_bytes(data[108:110], "little") * 2 * 32 == SECTORS
    assert int.from_bytes(data[114:118], "little") == SECTORS
    assert int.from_bytes(data[120:124], "little") == SECTORS


MACHINE = """
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"
[slot.memory]
card = "plain-memory"
image = "copy.bin"
[slot.cf]
card = "compactflash"
base = 0x60
medium = "card.img"
"""
# Waits, turns the 8-bit mode on, reads sector 3 to 8000h, adds 1 to its first byte, writes it
# back, and halts.
COPY = bytes.fromhex(
    "31 0000 CD 5000 3E01 D361 3EEF D367 CD 5000 CD 6000 3E20 D367 CD 5000 21 0080 01 6000 EDB2"
    "EDB2 21 0080 34 CD 6000 3E30 D367 CD 5000 21 0080 01 6000 EDB3 EDB3 CD 5000 76".replace(
        " ", "")).ljust(0x50, b"\0") + bytes.fromhex(
    "DB67 E680 20FA C9".replace(" ", "")).ljust(0x10, b"\0") + bytes.fromhex(
    "3E01 D362 3E03 D363 AF D364 D365 3EE0 D366 C9".replace(" ", ""))


def machine(folder: Path) -> Machine:
    (folder / "copy.bin").write_bytes(COPY)
    (folder / "card.img").write_bytes(IMAGE)
    (folder / "m.toml").write_text(MACHINE)
    return Machine(load(folder / "m.toml"))


def test_a_program_reads_changes_and_keeps_a_sector(tmp_path: Path) -> None:
    m = machine(tmp_path)
    m.run(m.at(Fraction(1, 5)))
    assert m.m.halted == 1
    assert (tmp_path / "card.img").read_bytes() == IMAGE
    assert keep_media(m)
    after = (tmp_path / "card.img").read_bytes()
    at = 3 * BLOCK
    assert after[at] == IMAGE[at] + 1
    assert after[:at] + after[at + 1:] == IMAGE[:at] + IMAGE[at + 1:]


def test_the_contract(tmp_path: Path) -> None:
    assert complaints(machine(tmp_path).description, Fraction(6, 100)) == []


def test_a_card_taken_out_and_another_put_in(tmp_path: Path) -> None:
    """Out in the middle of a sector: the bus floats; the next one starts up with RESET's values."""
    m = machine(tmp_path)
    other = bytes(reversed(IMAGE))[:100 * BLOCK]
    (tmp_path / "other.img").write_bytes(other)
    while m.slot("cf").state.at == 0:  # until it reads the sector
        m.run(int(m.m.t) + 1000)
    s = m.slot("cf").state
    change(m, "cf.medium", None)
    assert (int(s.fitted), int(s.busy), int(s.way)) == (0, 0, 0)
    m.run(m.at(Fraction(1, 5)))
    assert m.m.halted == 0 and int(s.absent_polls) > 100  # FFh: busy for ever
    change(m, "cf.medium", open_blocks(tmp_path / "other.img", False))
    assert (int(s.fitted), int(s.busy), int(s.total), int(s.eight)) == (1, 1, 100, 0)
    assert m.m.event_t[m.slot("cf").number] == m.m.t + int(s.reset_time)
    m.run(int(m.m.t) + int(s.reset_time) + 100)
    assert (int(s.busy), int(s.error), int(s.count)) == (0, 1, 1)


def test_what_was_written_goes_to_the_card_that_was_in(tmp_path: Path) -> None:
    m = machine(tmp_path)
    (tmp_path / "other.img").write_bytes(bytes(100 * BLOCK))
    m.run(m.at(Fraction(1, 5)))
    change(m, "cf.medium", open_blocks(tmp_path / "other.img", False))
    assert sorted(Path(name).name for name in keep_media(m)) == ["card.img"]
    assert (tmp_path / "other.img").read_bytes() == bytes(100 * BLOCK)
    assert (tmp_path / "card.img").read_bytes()[3 * BLOCK] == IMAGE[3 * BLOCK] + 1


def test_a_script_changes_the_card_and_a_replay_does_so_too(tmp_path: Path) -> None:
    m = machine(tmp_path)
    (tmp_path / "other.img").write_bytes(bytes(100 * BLOCK))
    (tmp_path / "change.script").write_text(
        'wait 0.01 s\neject cf.medium\nwait 0.01 s\ninsert cf.medium "other.img"\n')
    run = Session(m, None, Fraction(1, 5), read_script(tmp_path / "change.script"))
    run.run()
    s = run.machine.slot("cf").state
    assert (int(s.inserts), int(s.total)) == (2, 100)
    again = run.replay(int(m.m.t)).slot("cf").state
    assert again.tobytes() == s.tobytes()
