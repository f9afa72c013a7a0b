"""The controller part with a FIFO: its commands, and how much later a program may come.

Sources: 82077AA data sheet (CONFIGURE, LOCK, DUMPREG, implied and relative seeks);
LPC47B37x table 11 p.31 (service limits), LPC47M10x (80 pulses of a recalibrate).
"""
from __future__ import annotations

import pytest
from fdc_bench import CB, DIO, IMAGE, NDM, RQM, Fdc, image_sector

FIFO_ON = 0x07  # no implied seek, FIFO on, polling, threshold 8


def ready(config: int | None = FIFO_ON, **more) -> Fdc:
    """Give a controller that is ready, its FIFO set up."""
    fdc = Fdc({"chip": "82077", **more}, images={"drive-a": IMAGE})
    fdc.start()
    fdc.recalibrate()
    if config is not None:
        fdc.command(0x13, 0, config, 0)
    return fdc


def test_version_and_its_own_commands():
    fdc = ready(None)
    fdc.command(0x10)
    assert fdc.results() == b"\x90"
    fdc.seek(7)
    fdc.command(0x13, 0, 0x57, 0x11)
    fdc.command(0x94)
    assert fdc.results() == b"\x10"  # LOCK
    fdc.command(0x0E)
    assert fdc.results() == bytes([7, 0, 0, 0, 0xD1, 0x03, 0, 0x80, 0x57, 0x11])
    fdc.output(0x18)
    fdc.output(0x1C)  # a reset by the output register: what is locked stays
    fdc.command(0x0E)
    assert fdc.results()[8] == 0x57
    fdc.command(0x14)
    assert fdc.results() == b"\x00"
    fdc.output(0x18)
    fdc.output(0x1C)
    fdc.pass_ms(3)
    fdc.command(0x0E)
    assert fdc.results()[8] == 0x20  # FIFO off, polling on, threshold 1


def test_older_parts_do_not_know_them():
    fdc = Fdc({"chip": "765b"})
    fdc.start()
    for op in (0x13, 0x12, 0x0E, 0x94):
        fdc.command(op)
        assert fdc.results() == b"\x80"


def test_polling_can_be_turned_off():
    fdc = ready(0x17)
    fdc.command(0x94)
    fdc.results()
    fdc.output(0x18)
    fdc.output(0x1C)
    fdc.pass_ms(5)
    assert fdc.s.int_pin == 0 and fdc.sense() == b"\x80"


def test_implied_seek():
    fdc = ready(0x47)
    data, result = fdc.read(30, 1, 4)
    assert data == image_sector(30, 1, 4) and result[0] == 4
    assert fdc.s.drive[0].position == 30
    assert fdc.sense() == b"\x80"  # nothing to tell


def test_relative_seek():
    fdc = ready()
    fdc.seek(20)
    fdc.command(0xCF, 0, 5)
    assert fdc.after_seek() == bytes([0x20, 25])
    fdc.command(0x8F, 0, 15)
    assert fdc.after_seek() == bytes([0x20, 10])
    assert fdc.s.drive[0].position == 10


def test_recalibrate_has_80_pulses():
    fdc = ready()
    fdc.s.drive[0].position = 79
    assert fdc.recalibrate() == bytes([0x20, 0])


@pytest.mark.parametrize("tc", [True, False])
def test_sectors_go_through_the_fifo(tc: bool):
    fdc = ready()
    data, result = fdc.read(0, 0, 3, eot=4 if not tc else 18, count=1024, tc=tc)
    assert data == image_sector(0, 0, 3) + image_sector(0, 0, 4)
    assert result[0] == (0 if tc else 0x40)
    assert fdc.write(0, 1, 6, IMAGE[:1024], eot=7)[0] == 4
    assert fdc.read(0, 1, 6, eot=7, count=1024)[0] == IMAGE[:1024]
    assert fdc.read(0, 1, 8)[0] == image_sector(0, 1, 8)


@pytest.mark.parametrize("threshold, limit_us", [(1, 14.5), (2, 30.5), (8, 126.5), (15, 238.5)])
def test_service_limits_of_a_read(threshold: int, limit_us: float):
    for late, ends in ((-1, False), (1, True)):  # LPC47B37x table 11, 500 kbit/s
        fdc = ready(threshold - 1)
        fdc.command(0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
        fdc.wait(RQM | DIO)
        fdc.bench.advance(int(fdc.s.ready_t) + fdc.us(limit_us + late))
        assert (fdc.status() & NDM == 0) == ends
        assert int(fdc.s.overruns) == ends


def test_request_stays_until_the_fifo_is_empty():
    fdc = ready()
    fdc.command(0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
    fdc.wait(RQM | DIO)
    for k in range(8):  # 16 less the threshold
        assert fdc.status() == RQM | DIO | NDM | CB
        assert fdc.bench.read("data") == IMAGE[k]
    assert fdc.status() == DIO | NDM | CB
    asked = int(fdc.s.ready_t) - fdc.t
    assert abs(asked - fdc.us(8 * 16)) <= 2  # until eight more have come


def test_int_stays_with_the_request():
    fdc = ready(interrupt=True)
    fdc.command(0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
    fdc.wait(RQM | DIO)
    fdc.bench.advance(fdc.t + 1)
    for _ in range(7):
        assert fdc.bench.int_line == 1
        fdc.bench.read("data")
    fdc.bench.read("data")
    assert fdc.bench.int_line == 0
    fdc.bench.advance(int(fdc.s.ready_t) + 1)
    assert fdc.bench.int_line == 1


@pytest.mark.parametrize("late, ends", [(-1, False), (1, True)])
def test_write_fills_the_fifo_ahead_and_asks_at_the_threshold(late: int, ends: bool):
    fdc = ready()
    fdc.command(0x45, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
    fdc.wait(RQM, RQM)
    for k in range(16):
        assert fdc.status() == RQM | NDM | CB
        fdc.bench.write("data", k)
    assert fdc.status() == NDM | CB
    fdc.wait(RQM, RQM)
    fdc.bench.advance(int(fdc.s.ready_t) + fdc.us(126.5 + late))  # LPC47B37x table 11
    assert int(fdc.s.overruns) == ends


def test_write_that_runs_dry_leaves_zeros_and_a_good_crc():
    fdc = ready()
    fdc.command(0x45, 0, 0, 0, 5, 2, 5, 0x1B, 0xFF)
    fdc.send(b"\xAA" * 100)
    assert fdc.results()[:2] == bytes([0x40, 0x10])  # OR; LPC47B37x p.31
    data, result = fdc.read(0, 0, 5)
    assert data == b"\xAA" * 100 + bytes(412) and result[:3] == bytes(3)


def test_plain_functions_do_what_the_machine_code_does():
    ends = []
    for native in (False, True):
        fdc = Fdc({"chip": "82077"}, images={"drive-a": IMAGE}, native=native)
        fdc.start()
        fdc.recalibrate()
        fdc.command(0x13, 0, 0x4A, 0)
        fdc.write(2, 0, 5, IMAGE[:1024], eot=6)
        fdc.read(1, 1, 5, eot=7, count=1024)
        ends.append((fdc.t, fdc.s.tobytes()))
    assert ends[0] == ends[1]
