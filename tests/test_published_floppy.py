"""The floppy held against data sheets, published tables, the standard library and arithmetic.

Sources: [8272] translated description of the i8272 (8272.DOC, 8272CMD.DOC, 8272STAT.DOC,
8272FORM.DOC); FDC37N769 table 44 (gaps), FDC37B770 table 27 (times), LPC47S45x p.56 (track);
CRC-16-CCITT: Python's binascii.crc_hqx and the check value of the CRC catalogue.
"""
from __future__ import annotations

import binascii
from fractions import Fraction

import numpy as np
import pytest
from fdc_bench import DIO, IMAGE, NDM, RQM, Fdc, crc, geometry
from hypothesis import given, settings
from hypothesis import strategies as st

from emu.media.geometry import FORMATS
from emu.media.track import Track, lay, sectors
from peripherals.fdc_765 import CARD
from peripherals.fdc_765_track import add_crc

# --- CRC --------------------------------------------------------------------------------------


@settings(max_examples=50, derandomize=True, deadline=None)
@given(st.binary(max_size=64))
def test_crc_of_the_controller_is_that_of_the_standard_library(data: bytes):
    ours = np.int64(0xFFFF)
    for byte in data:
        ours = add_crc(ours, np.int64(byte))
    assert ours == binascii.crc_hqx(data, 0xFFFF)


def test_crc_check_value():
    assert crc(b"123456789") == 0x29B1  # CRC-16 with 1021h and preset FFFFh: published check value


def marks_of(track: Track) -> list[int]:
    """Give where marks with their A1 bytes begin."""
    return [k for k in range(len(track.data) - 3) if track.marks[k:k + 3] == b"\1\1\1"
            and track.data[k] == 0xA1]


@pytest.mark.parametrize("name", FORMATS)
def test_all_crcs_of_a_laid_out_track_are_good(name: str):
    g = FORMATS[name]
    track = lay(g, 5, 1, IMAGE[:g.track_bytes])
    assert len(marks_of(track)) == 2 * g.sectors
    for at in marks_of(track):
        length = 4 + 4 if track.data[at + 3] == 0xFE else 4 + g.sector_size
        field = track.data[at:at + length]
        assert track.data[at + length:at + length + 2] == crc(field).to_bytes(2, "big")
        assert crc(track.data[at:at + length + 2]) == 0  # over field and CRC: 0000h


def test_crcs_that_the_controller_writes_are_good():
    fdc = Fdc()
    fdc.start()
    fdc.recalibrate()
    fdc.format(0, 0, [1, 2, 3])
    fdc.write(0, 0, 2, IMAGE[:512])
    track = fdc.track(0)
    assert len(marks_of(track)) == 6
    for at in marks_of(track):
        length = 8 if track.data[at + 3] == 0xFE else 516
        assert crc(track.data[at:at + length + 2]) == 0
    assert sectors(track)[1].data == IMAGE[:512]


# --- the track --------------------------------------------------------------------------------
def test_turn_holds_what_rate_and_speed_make():
    # 250 kbit/s x 200 ms = 6,250 bytes; 500 kbit/s x 200 ms = 12,500; 500 at 360 rpm 10,416.7
    assert [FORMATS[n].turn_bytes for n in ("360K", "720K", "1.2M", "1.44M")] == [
        6250, 6250, 10416, 12500]
    assert [FORMATS[n].size for n in FORMATS] == [368640, 737280, 1228800, 1474560]


@pytest.mark.parametrize("rate, rpm, turn", [(2, 300, 6250), (0, 300, 12500), (0, 360, 10416),
                                             (1, 360, 6250), (1, 300, 7500)])
def test_formatted_turn_is_as_long_as_the_rate_makes_it(rate: int, rpm: int, turn: int):
    fdc = Fdc({"drive-a": {"geometry": "1.44M", "rpm": rpm, "blank": True}})
    fdc.start(rate)
    fdc.recalibrate()
    fdc.format(0, 0, [1], gap=0x54)
    assert len(fdc.track(0).data) == turn


@pytest.mark.parametrize("op, gap4a, sync, index, gap1, id_mark, gap2, data_mark, byte", [
    # LPC47S45x p.56: System 34 (double density) and System 3740 (single density)
    (0x4D, 80, 12, b"\xC2\xC2\xC2\xFC", 50, b"\xA1\xA1\xA1\xFE", 22, b"\xA1\xA1\xA1\xFB", 0x4E),
    (0x0D, 40, 6, b"\xFC", 26, b"\xFE", 11, b"\xFB", 0xFF),
])
def test_formatted_track_field_by_field(op, gap4a, sync, index, gap1, id_mark, gap2, data_mark,
                                        byte):
    fdc = Fdc()
    fdc.start()
    fdc.recalibrate()
    fdc.format(0, 0, [9, 4], gap=30, n=1, fill=0xE5, op=op)
    gap = bytes([byte])

    def field(mark: bytes, content: bytes) -> bytes:
        return bytes(sync) + mark + content + crc(mark + content).to_bytes(2, "big")

    def sector(number: int) -> bytes:
        return (field(id_mark, bytes([0, 0, number, 1])) + gap * gap2
                + field(data_mark, b"\xE5" * 256) + gap * 30)

    wanted = gap * gap4a + bytes(sync) + index + gap * gap1 + sector(9) + sector(4)
    data = fdc.track(0).data
    assert data == wanted + gap * (len(data) - len(wanted))
    assert len(data) == (12500 if op & 0x40 else 6250)


GAPS = [  # N, sectors, GPL of FORMAT, rate code, rpm, bytes left as gap 4b; None: does not fit
    (2, 9, 0x50, 2, 300, 218),  # 5.25 inch: FDC37N769 table 44; what is left: arithmetic
    (2, 9, 0x54, 2, 300, 182),  # 3.5 inch: same
    (1, 16, 0x32, 2, 300, 216),  # 5.25 inch: same
    (3, 5, 0x74, 2, 300, 94),  # [8272] gap of 1024-byte sectors
    (2, 18, 0x54, 0, 300, 510),  # 3.5 inch: FDC37N769 table 44
    (2, 18, 0x6C, 0, 300, 78),  # from memory
    (2, 15, 0x54, 0, 360, 400),  # [8272]
    (1, 26, 0x36, 0, 360, 598),  # [8272]
    (3, 8, 0x74, 0, 360, 654),  # [8272]
    (2, 10, 0x2E, 2, 300, None),
    (2, 19, 0x6C, 0, 300, None),
]


@pytest.mark.parametrize("n, count, gap, rate, rpm, left", GAPS)
def test_gap_tables(n: int, count: int, gap: int, rate: int, rpm: int, left: int | None):
    fdc = Fdc({"drive-a": {"geometry": "1.44M", "rpm": rpm, "blank": True}})
    fdc.start(rate)
    fdc.recalibrate()
    fdc.format(0, 0, list(range(1, count + 1)), gap=gap, n=n)
    track = fdc.track(0)
    whole = [s for s in sectors(track) if s.id_good and s.data_good]
    if left is None:
        assert len(whole) < count  # the index has cut the last one
    else:
        assert [s.number for s in whole] == list(range(1, count + 1))
        end = whole[-1].at + 4 + 6 + 22 + 12 + 4 + (128 << n) + 2 + gap
        assert len(track.data) - end == left


def test_interleave_and_skew_of_an_image():
    g = geometry(format="1.44M", interleave=4, skew=3)
    assert g.order(0)[::4][:4] == [1, 2, 3, 4]
    assert sorted(g.order(1)) == list(range(1, 19)) and g.order(1)[3] == 1
    assert [s.number for s in sectors(lay(g, 0, 0, IMAGE[:g.track_bytes]))] == g.order(0)


# --- times ------------------------------------------------------------------------------------
@pytest.mark.parametrize("rate, scale", [(0, 1), (1, Fraction(5, 3)), (2, 2)])
@pytest.mark.parametrize("srt, hut, hlt, step, unload, load", [  # FDC37B770 table 27, 500 kbit/s
    (0xF, 1, 0x01, 1, 16, 2), (0xD, 0xF, 0x7F, 3, 240, 254), (0, 0, 0, 16, 256, 256),
])
def test_times_of_specify(rate, scale, srt, hut, hlt, step, unload, load):
    fdc = Fdc({"drive-a": {"geometry": "1.44M", "step": 0, "settle": 0}})
    fdc.start(rate, (srt << 4 | hut, hlt << 1 | 1))
    fdc.recalibrate()
    fdc.s.drive[0].position = fdc.s.drive[0].pcn = 0
    fdc.command(0x0F, 0, 4)
    begun = fdc.t
    fdc.stepped()
    assert fdc.ms_of(fdc.t - begun) == pytest.approx(float(4 * step * scale), abs=0.01)
    fdc.sense()
    for pause, loads in ((0, True), (float(unload * scale) - 2, False),
                         (float(unload * scale) + 2, True)):
        fdc.pass_ms(pause)
        fdc.command(0x4A, 0)
        issued = fdc.t
        fdc.results(3000)
        waited = fdc.ms_of(int(fdc.s.start_t) - issued)
        assert waited == pytest.approx(float(load * scale) if loads else 0, abs=0.02)


def test_formatting_waits_for_the_index_and_takes_one_turn():
    fdc = Fdc()
    fdc.start()
    fdc.recalibrate()
    total = 0.0
    for cylinder in range(6):
        fdc.seek(cylinder)
        fdc.pass_ms(cylinder * 37.7)
        fdc.command(0x4D, 0, 2, 18, 0x6C, 0xF6)
        start = int(fdc.t)
        index = int(fdc.s.drive[0].index_t)
        fdc.send(b"".join(bytes([cylinder, 0, r, 2]) for r in range(1, 19)))
        assert fdc.results()[0] == 0
        end = int(fdc.s.doing_t)
        assert (end - index) % fdc.us(200_000) == 0  # ends at an index pulse
        took = fdc.ms_of(end - start)
        assert 200 < took < 422  # a part of a turn, and one turn: 32 to 64 s for 160 tracks
        total += took
    assert 32 < total / 6 * 160 / 1000 < 64


def test_whole_track_in_one_command_takes_a_turn():
    fdc = Fdc(images={"drive-a": IMAGE})
    fdc.start()
    fdc.recalibrate()
    fdc.command(0x46, 0, 0, 0, 1, 2, 18, 0x1B, 0xFF)
    fdc.wait(RQM | DIO)
    start = fdc.t
    for _ in range(18 * 512):
        fdc.wait(RQM | DIO)
        fdc.bench.read("data")
    # 17 pitches of 682 bytes and 512 bytes, 16 us each
    assert fdc.ms_of(fdc.t - start) == pytest.approx((17 * 682 + 511) * 0.016, abs=0.01)


@pytest.mark.parametrize("rate, op, read_us, write_us", [
    (0, 0x40, 13, 15),  # MFM 500 kbit/s, 8 MHz [8272]
    (0, 0x00, 27, 31),  # FM 250 kbit/s, 8 MHz [8272]
    (2, 0x40, 26, 30),  # 4 MHz: twice as long; arithmetic
    (2, 0x00, 54, 62),
    (1, 0x40, 13 * 5 / 3, 25),
])
def test_service_limits(rate: int, op: int, read_us: float, write_us: float):
    for command, limit in ((0x06, read_us), (0x05, write_us)):
        for late in (-0.5, 0.5):
            fdc = Fdc({"drive-a": {"geometry": "1.44M"}})
            fdc.start(rate)
            fdc.recalibrate()
            fdc.format(0, 0, [1, 2], gap=50, op=0x0D | op)
            fdc.command(command | op, 0, 0, 0, 1, 2, 1, 50, 0xFF)
            fdc.wait(RQM, RQM)
            if command == 0x06:
                fdc.bench.read("data")
            else:
                fdc.bench.write("data", 0)
            fdc.wait(RQM, RQM)
            fdc.bench.advance(int(fdc.s.ready_t) + fdc.us(limit + late))
            assert bool(fdc.status() & NDM) == (late < 0)


# --- busy bits and step pulses ----------------------------------------------------------------
@pytest.mark.parametrize("chip", ["765a", "82077"])
def test_a_drives_busy_bit_falls_with_sense_interrupt(chip: str):
    """LPC47B34x p.69: sense interrupt terminates a seek, "otherwise the drive continues to be
    BUSY"; 82077AA p.30-31; 765A from memory, 80 % (shared/facts/fdc_765_more.md (a))."""
    fdc = Fdc({"chip": chip})
    fdc.start()
    fdc.recalibrate()
    fdc.command(0x0F, 0, 10)
    fdc.stepped()
    assert fdc.status() == RQM | 1 and fdc.s.int_pin == 1
    fdc.pass_ms(50)
    assert fdc.status() == RQM | 1  # who waits for MSR AND 0Fh = 0 here waits for ever
    fdc.command(0x46)
    assert fdc.results() == b"\x80"
    assert fdc.sense() == bytes([0x20, 10])
    assert fdc.status() == RQM


def test_a_busy_bit_that_falls_with_the_last_step():
    """The other reading, by the jumper."""
    fdc = Fdc({"busy-bits": "stepping"})
    fdc.start()
    fdc.recalibrate()
    fdc.command(0x0F, 0, 10)
    fdc.stepped()
    assert fdc.status() == RQM
    assert fdc.sense() == bytes([0x20, 10])


@pytest.mark.parametrize(("chip", "reading", "st0", "risky"), [
    ("765a", "zero", 0x20, True), ("765a", "as-sent", 0x24, True), ("82077", "zero", 0x20, False)])
def test_the_head_in_st0_behind_a_seek(chip: str, reading: str, st0: int, risky: bool):
    """82077AA p.31: HD is 0 in the ST0 of sense interrupt; of the early parts no text was found:
    60 % (shared/facts/fdc_765_more.md (b))."""
    fdc = Fdc({"chip": chip, "seek-head": reading})
    fdc.start()
    fdc.recalibrate()
    fdc.command(0x0F, 4, 10)
    fdc.stepped()
    assert fdc.sense() == bytes([st0, 10])
    told = [words for words in CARD.risks(None, fdc.s) if "mask ST0" in words]
    assert bool(told) == risky


@pytest.mark.parametrize(("chip", "pulses"), [("765a", 77), ("82077", 79)])
def test_recalibrate_gives_up_after_its_pulses(chip: str, pulses: int):
    """82077AA p.30: 79; 8272 description: 77.  ST0 = 70h (equipment check, seek end), and a
    second one ends well."""
    fdc = Fdc({"chip": chip, "drive-a": {"tracks": 84}})
    fdc.start()
    fdc.s.drive[0].position = pulses + 1
    assert fdc.recalibrate() == bytes([0x70, 0])
    assert int(fdc.s.drive[0].position) == 1
    assert fdc.recalibrate() == bytes([0x20, 0])
