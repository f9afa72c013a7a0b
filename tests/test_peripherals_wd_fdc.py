"""The WD177x/279x-type controller: commands, times, status, disks that the tests know.

From memory of the WD1770/1772 and FD179x data sheets, no copy at hand; sectors and tracks are
held against emu/media, which is held against published formats.
"""
from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from boards import CPU_AND_MEMORY
from card_bench import Bench

from emu.backplane.description import load
from emu.bus.state import FAR
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.media.bay import Bay, Original
from emu.media.drive import drive
from emu.media.geometry import parse
from emu.media.track import sectors
from emu.testing.card_contract import complaints
from peripherals.wd_fdc import CARD

GEOMETRY = {"cylinders": 40, "heads": 2, "sectors": 9}
IMAGE = b"".join(bytes([k & 0xFF, k >> 8]) * 256 for k in range(720))
BUSY, DRQ, LOST, CRC, MISSING, RECORD, PROTECTED, HIGH = (1 << k for k in range(8))
INDEX, TRACK_0 = 2, 4
SIDE, FM, MOTOR = 0x10, 0x20, 0x40


class Disk(Bench):
    """A controller with one drive."""

    def __init__(self, image: bytes | None = IMAGE, native: bool = True,
                 geometry: Mapping[str, Any] = GEOMETRY, table: Mapping[str, Any] | None = None,
                 empty: bool = False, start: bool = True, **settings: Any) -> None:
        whole = drive({"size": "5.25", "geometry": dict(geometry), **(table or {})}, "drive-a")
        assert whole is not None
        held = parse(dict(geometry), "geometry")
        original = None if empty else Original(
            None, image or b"", held, whole["write-protect"], formatted=image is not None)
        self.bay = Bay("drive-a", original)
        super().__init__(CARD, {"drive-a": whole, **settings}, hz="6.144 MHz", native=native,
                         bays={"drive-a": self.bay})
        if start:
            self.control(MOTOR)
            self.seconds(1)
            self.run(0x00)

    def control(self, value: int) -> None:
        self.write("control", value, self.t + 12)

    def seconds(self, count: float) -> None:
        self.advance(self.t + int(count * self.hz))

    def command(self, byte: int) -> None:
        self.write("status", byte, self.t + 20)
        self.advance(self.t + 100)

    def run(self, byte: int, most: float = 8) -> int:
        """Give a command and let it end by itself; the status."""
        self.command(byte)
        end = self.t + int(most * self.hz)
        while self.s.busy:
            assert self.m.event_t[0] <= end, "it never ends"
            self.advance(int(self.m.event_t[0]))
        return self.read("status", self.t + 10)

    def wait_drq(self, most: float = 2) -> bool:
        end = self.t + int(most * self.hz)
        while not self.s.drq and self.s.busy and self.m.event_t[0] <= end:
            self.advance(int(self.m.event_t[0]))
        return bool(self.s.drq)

    def take(self, byte: int) -> tuple[bytes, int]:
        """Read with a command: the bytes, and the status at the end."""
        self.command(byte)
        got = bytearray()
        while self.wait_drq():
            got.append(self.read("data", self.t + 30))
        self.advance(self.t + 10_000)
        return bytes(got), self.read("status", self.t)

    def give(self, byte: int, data: bytes) -> int:
        """Write with a command; the status at the end."""
        self.command(byte)
        for value in data:
            if not self.wait_drq():
                break
            self.write("data", value, self.t + 30)
        while self.s.busy and self.m.event_t[0] < FAR:
            self.advance(int(self.m.event_t[0]))
        return self.read("status", self.t + 10)

    def go(self, track: int) -> int:
        self.write("data", track)
        return self.run(0x10)

    def sector(self, number: int, command: int = 0x80) -> tuple[bytes, int]:
        self.write("sector", number)
        return self.take(command)


@pytest.mark.parametrize("native", [False, True])
def test_a_sector_is_read(native: bool) -> None:
    disk = Disk(native=native)
    disk.go(3)
    assert disk.read("track") == 3
    assert disk.sector(5) == (bytes([58, 0]) * 256, 0)  # (3 * 2 + 0) * 9 + 5 - 1
    assert disk.s.reads == 1


def test_the_other_side_and_many_sectors() -> None:
    disk = Disk()
    disk.control(MOTOR | SIDE)
    data, status = disk.sector(7, 0x90)
    assert status & MISSING  # there is no sector 10, which is how it ends
    assert data == b"".join(bytes([k, 0]) * 256 for k in (15, 16, 17))
    assert disk.read("sector") == 10


def test_side_compare_of_the_1793() -> None:
    disk = Disk()
    assert disk.sector(1, 0x82)[1] == 0
    assert disk.sector(1, 0x8A)[1] & MISSING


def test_a_sector_is_written_and_read_back() -> None:
    disk = Disk()
    disk.go(2)
    disk.write("sector", 4)
    assert disk.give(0xA0, bytes(range(256)) * 2) == 0
    assert disk.sector(4) == (bytes(range(256)) * 2, 0)
    track = disk.bay.get(4)
    (found,) = [s for s in sectors(track) if s.number == 4]
    assert found.data == bytes(range(256)) * 2 and found.data_good and not found.deleted
    assert disk.give(0xA1, bytes(512)) == 0  # with a deleted data mark
    assert disk.sector(4)[1] & RECORD


def test_lost_data() -> None:
    disk = Disk()
    disk.write("sector", 1)
    disk.command(0x80)
    assert disk.wait_drq()
    disk.seconds(0.0001)
    assert disk.read("status") & LOST
    disk.seconds(0.5)
    (trouble,) = CARD.troubles(disk.m, disk.s)
    assert trouble.code == "wd-lost-data"
    disk.write("sector", 1)
    disk.command(0xA0)
    assert disk.wait_drq()  # nothing is loaded: nothing is written
    disk.seconds(0.5)
    assert disk.read("status") & LOST and not disk.s.writes


def test_a_byte_every_32_microseconds() -> None:
    """16 us at 500 kbit/s; twice as long in FM: from memory of the data sheet, and arithmetic."""
    for settings, geometry, latch, wanted in (
            ({}, GEOMETRY, 0, 32), ({"data-rate": 500}, {**GEOMETRY, "rate": 500}, 0, 16),
            ({}, {**GEOMETRY, "encoding": "fm", "sectors": 4}, FM, 64)):
        disk = Disk(geometry=geometry, **settings)
        disk.control(MOTOR | latch)
        disk.write("sector", 1)
        disk.command(0x80)
        times = []
        for _ in range(101):
            assert disk.wait_drq()
            times.append(disk.t)
            disk.read("data", disk.t + 10)
        per_byte = Fraction(times[-1] - times[0], 100) / disk.hz * 1_000_000
        assert abs(per_byte - wanted) < Fraction(1, 10)


@pytest.mark.parametrize(("chip", "code", "wanted"), [
    ("1793", 0, 6), ("1793", 3, 30), ("1770", 1, 12), ("1770", 2, 20), ("1772", 2, 2),
    ("1772", 3, 3), ("1772", 0, 6)])
def test_step_rates(chip: str, code: int, wanted: int) -> None:
    disk = Disk(chip=chip)
    disk.write("data", 10)
    t = disk.t
    disk.run(0x18 | code)
    assert abs((disk.t - t) / disk.hz * 1000 - 10 * wanted) < 0.1
    assert disk.read("track") == 10


def test_restore_step_in_and_out() -> None:
    disk = Disk()
    assert disk.s.drive[0].position == 0
    assert disk.read("status") & (TRACK_0 | RECORD) == TRACK_0 | RECORD
    disk.run(0x50)  # in, with update
    disk.run(0x30)  # step the same way
    disk.run(0x40)  # in, without
    assert (int(disk.s.drive[0].position), disk.read("track")) == (3, 2)
    assert not disk.read("status") & TRACK_0
    disk.run(0x70)
    assert (int(disk.s.drive[0].position), disk.read("track")) == (2, 1)
    assert disk.run(0x00) & TRACK_0
    assert disk.read("track") == 0


def test_verify_finds_a_wrong_track() -> None:
    disk = Disk()
    assert not disk.run(0x04) & MISSING
    disk.write("track", 5)  # the head is at 0
    disk.write("data", 7)
    t = disk.t
    assert disk.run(0x14) & MISSING
    assert (disk.t - t) / disk.hz > 0.9  # five turns
    (trouble,) = CARD.troubles(disk.m, disk.s)
    assert "the IDs at cylinder 2 are of track 2, and the track register holds 7" in (
        trouble.evidence[0])
    assert not disk.run(0x00) & MISSING


def test_what_is_not_found_is_explained() -> None:
    disk = Disk()
    assert disk.sector(12)[1] & MISSING
    assert "none of them of sector 12" in CARD.troubles(disk.m, disk.s)[0].evidence[0]
    disk.control(MOTOR | FM)
    assert disk.sector(1)[1] & MISSING
    assert "no ID in FM passed" in CARD.troubles(disk.m, disk.s)[0].evidence[0]


def test_read_address() -> None:
    disk = Disk()
    disk.go(4)
    data, status = disk.take(0xC0)
    assert status == 0 and len(data) == 6
    assert data[0] == 4 and data[1] == 0 and 1 <= data[2] <= 9 and data[3] == 2
    assert disk.read("sector") == 4  # the track's number, of all things


def track_bytes(cylinder: int, count: int = 9) -> bytes:
    """What WRITE TRACK is given for a System 34 track: marks are F5h, CRCs F7h."""
    out = bytearray(b"\x4E" * 80 + bytes(12) + b"\xF6\xF6\xF6\xFC" + b"\x4E" * 50)
    for number in range(1, count + 1):
        out += bytes(12) + b"\xF5\xF5\xF5\xFE" + bytes([cylinder, 0, number, 2]) + b"\xF7"
        out += b"\x4E" * 22 + bytes(12) + b"\xF5\xF5\xF5\xFB" + b"\xE5" * 512 + b"\xF7"
        out += b"\x4E" * 80
    return bytes(out) + b"\x4E" * 700


def test_a_track_is_formatted() -> None:
    disk = Disk(None)
    assert disk.sector(1)[1] & MISSING
    assert disk.give(0xF0, track_bytes(0)) == 0
    found = sectors(disk.bay.get(0))
    assert [s.number for s in found] == list(range(1, 10))
    assert all(s.id_good and s.data_good and s.data == b"\xE5" * 512 for s in found)
    assert disk.sector(9) == (b"\xE5" * 512, 0)


def test_a_single_density_track_is_formatted() -> None:
    disk = Disk(None)
    disk.control(MOTOR | FM)
    out = bytearray(b"\xFF" * 40 + bytes(6) + b"\xFC" + b"\xFF" * 26)
    for number in range(1, 11):
        out += bytes(6) + b"\xFE" + bytes([0, 0, number, 1]) + b"\xF7" + b"\xFF" * 11
        out += bytes(6) + b"\xFB" + b"\xE5" * 256 + b"\xF7" + b"\xFF" * 10
    assert disk.give(0xF4, bytes(out) + b"\xFF" * 400) == 0
    found = sectors(disk.bay.get(0))
    assert [s.number for s in found] == list(range(1, 11))
    assert all(s.id_good and s.data_good for s in found)
    assert disk.sector(3) == (b"\xE5" * 256, 0)


def test_a_whole_track_is_read() -> None:
    disk = Disk()
    data, status = disk.take(0xE0)
    assert status & ~LOST == 0
    assert abs(len(data) - 6250) < 3
    assert b"\xA1\xA1\xA1\xFE\x00\x00\x01\x02" in data


def test_protection() -> None:
    disk = Disk(table={"write-protect": True})
    assert disk.read("status") & PROTECTED
    assert disk.give(0xA0, bytes(512)) == PROTECTED
    assert disk.give(0xF0, bytes(512)) == PROTECTED
    assert [t.code for t in CARD.troubles(disk.m, disk.s)] == ["wd-protected"]


def test_ready_of_the_1793() -> None:
    disk = Disk()
    disk.control(0)
    disk.seconds(0.1)
    assert disk.read("status") & HIGH
    assert disk.take(0x80) == (b"", HIGH)
    (trouble,) = CARD.troubles(disk.m, disk.s)
    assert "its motor is off" in trouble.evidence[0]
    disk = Disk(empty=True)
    assert disk.take(0x80)[1] == HIGH
    assert "no disk in it" in CARD.troubles(disk.m, disk.s)[0].evidence[0]


def test_the_motor_of_a_177x() -> None:
    disk = Disk(chip="1770", start=False)
    disk.seconds(3)
    disk.run(0xD0)
    disk.seconds(4)
    assert not disk.read("status") & HIGH
    t = disk.t
    assert disk.run(0x00) & (HIGH | RECORD) == HIGH | RECORD
    assert (disk.t - t) / disk.hz > 1.2  # six turns, once it turns
    disk.go(1)
    assert disk.sector(2)[1] & ~HIGH == 0
    disk.seconds(1.7)
    assert disk.read("status") & HIGH
    disk.seconds(0.3)
    assert not disk.read("status") & HIGH


def test_no_index_for_a_177x() -> None:
    disk = Disk(chip="1772", empty=True, start=False)
    disk.run(0xD0)
    disk.command(0x00)
    disk.seconds(5)
    assert disk.read("status") & BUSY
    (trouble,) = CARD.troubles(disk.m, disk.s)
    assert trouble.code == "wd-no-index"
    disk.command(0xD0)
    assert not disk.read("status") & BUSY


def test_interrupts() -> None:
    disk = Disk(interrupt=True)
    disk.run(0x00)
    disk.run(0x10)
    disk.command(0x50)
    disk.seconds(0.1)
    assert disk.int_line and disk.read("control") & 0x40
    disk.read("status")
    assert not disk.int_line and not disk.read("control") & 0x40
    disk.command(0xD8)  # at once, and until D0h
    disk.read("status")
    assert disk.int_line
    disk.command(0xD0)
    assert not disk.int_line
    disk.command(0xD4)  # with each index pulse
    assert not disk.int_line
    disk.seconds(0.21)
    assert disk.int_line
    disk.command(0xD0)
    CARD.live["nmi"](disk.m, disk.s, "both")
    before = int(disk.m.nmi_latch)
    disk.sector(1)
    assert disk.m.nmi_latch and not before


def test_a_command_is_broken_off() -> None:
    disk = Disk()
    disk.write("sector", 1)
    disk.command(0x80)
    assert disk.read("status") & BUSY
    disk.command(0x10)  # lost
    assert any("came while it was busy" in words for words in disk.words())
    disk.command(0xD0)
    assert not disk.read("status") & BUSY and not disk.read("control") & 0x40
    disk.command(0xD0)  # idle: the status is of type I
    assert disk.read("status") & TRACK_0


def test_selecting_by_one_bit_each() -> None:
    disk = Disk(select="one-hot", start=False, **{"motor-bit": -1})
    disk.seconds(6)
    disk.run(0xD0)
    disk.control(1)
    assert not disk.read("status") & HIGH
    disk.control(2)
    assert disk.read("status") & HIGH


def test_another_disk() -> None:
    disk = Disk()
    assert disk.sector(1)[0] == bytes(512)
    geometry = parse(GEOMETRY, "geometry")
    disk.bay.insert(Original(None, b"\x77" * geometry.size, geometry))
    disk.serve()
    assert disk.sector(1)[0] == b"\x77" * 512


MACHINE = CPU_AND_MEMORY + """[slot.fdc]
card = "fdc-wd17xx"
base = 0x44
drive-a = { blank = true }
"""


def machine(tmp_path: Path, more: str = "") -> Path:
    (tmp_path / "p.bin").write_bytes(bytes.fromhex("3E40 D348 3E04 D344 DB44 0F 38FB 3E80 D344 "
                                                   "DB48 17 30FB DB47 18F7"))
    (tmp_path / "m.toml").write_text(MACHINE + more)
    return tmp_path / "m.toml"


def test_the_contract(tmp_path: Path) -> None:
    assert complaints(load(machine(tmp_path)), Fraction(3, 2)) == []


def test_a_rate_that_the_part_has_not(tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        Machine(load(machine(tmp_path, 'chip = "1772"\ndata-rate = 500\n')))
    assert str(error.value) == ('slot.fdc: a WD1772 makes 250 kbit/s and no more; take data-rate '
                                '= 250, or chip = "1793".')
