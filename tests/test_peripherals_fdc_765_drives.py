"""Drives and wiring of the floppy controller: motor, steps, disk change, INT, TC, ready.

Sources as in test_peripherals_fdc_765.py.
"""
from __future__ import annotations

import pytest
from fdc_bench import CB, DIO, IMAGE, NDM, RQM, Fdc, TooLong, image_sector

from emu.media.bay import Original
from emu.media.geometry import FORMATS

DISK = {"drive-a": IMAGE}


def ready(settings: dict | None = None, **more) -> Fdc:
    """Give a controller that is ready, the head at track 0."""
    fdc = Fdc(settings, images=DISK, **more)
    fdc.start()
    fdc.recalibrate()
    return fdc


# --- motor and disk --------------------------------------------------------------------------
def test_read_before_the_motor_is_up_waits_for_it():
    fdc = ready()
    fdc.output(0x0C)
    fdc.pass_ms(2000)
    fdc.output(0x1C)
    start = fdc.t
    data, result = fdc.read(0, 0, 1)
    assert data == image_sector(0, 0, 1) and result[0] == 0
    assert 400 < fdc.ms_of(fdc.t - start) < 625  # spin-up, then a turn at most, and the sector


def test_motor_that_was_off_for_a_moment_comes_back_sooner():
    fdc = ready()
    fdc.output(0x0C)
    fdc.pass_ms(50)
    fdc.output(0x1C)
    assert fdc.s.drive[0].spun_t - fdc.t == fdc.us(50_000)


@pytest.mark.parametrize("settings, output, why", [
    ({}, 0x0C, "the motor of drive-a is off"),
    ({"drive-a": {"medium": "none"}}, 0x1C, "drive-a has no disk"),
    ({}, 0x2D, "drive-b is not fitted"),
])
def test_without_index_pulses_the_execution_phase_never_ends(settings, output, why):
    fdc = Fdc(settings)  # the chip has no time-out; from memory
    fdc.start()
    fdc.output(output)
    fdc.command(0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
    with pytest.raises(TooLong):
        fdc.wait(RQM, RQM, 5000)
    assert f"READ DATA waits for index pulses that do not come: {why}" in fdc.bench.words()[0]
    assert fdc.bench.m.event_t[0] > 1 << 60  # and it costs nothing to wait


def test_motor_turned_on_ends_the_waiting():
    fdc = ready()
    fdc.output(0x0C)
    fdc.command(0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
    fdc.pass_ms(1000)
    fdc.output(0x1C)
    fdc.wait(RQM | DIO)
    assert fdc.bench.read("data") == IMAGE[0]


def test_index_keeps_its_place_over_a_long_time():
    fdc = ready()
    d = fdc.s.drive[0]
    first = int(d.index_t)
    fdc.pass_ms(100_000.3)
    fdc.command(0x4A, 0)
    fdc.results()
    assert (int(d.index_t) - first) % fdc.us(200_000) == 0  # 300 rpm: 200 ms a turn


def test_disk_change_latch():
    fdc = Fdc(images=DISK)
    fdc.start()
    assert fdc.bench.read("rate") == 0x80  # set at power-on; from memory
    fdc.recalibrate()
    fdc.seek(2)
    assert fdc.bench.read("rate") == 0  # cleared by a step pulse with a disk in
    fdc.bays["drive-a"].insert(None)
    fdc.bench.serve()
    assert fdc.bench.read("rate") == 0x80
    fdc.seek(3)
    assert fdc.bench.read("rate") == 0x80  # no disk: it stays
    fdc.bays["drive-a"].insert(Original(None, bytes(FORMATS["720K"].size), FORMATS["720K"]))
    fdc.bench.serve()
    fdc.recalibrate()
    assert fdc.bench.read("rate") == 0
    fdc.bench.write("rate", 2)
    data, result = fdc.read(0, 0, 1)
    assert result[0] == 0 and data == bytes(512)


def test_disk_taken_out_while_it_is_read():
    fdc = ready()
    fdc.command(0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
    fdc.wait(RQM | DIO)
    fdc.bays["drive-a"].insert(None)
    fdc.bench.serve()
    with pytest.raises(TooLong):
        fdc.results(2000)


# --- stepping --------------------------------------------------------------------------------
@pytest.mark.parametrize("rate, byte, step_ms", [  # FDC37B770 table 27: SRT by rate
    (0, 0xD0, 3), (1, 0xD0, 5), (2, 0xD0, 6), (0, 0x80, 8), (2, 0x00, 32), (1, 0xE0, 10 / 3),
])
def test_seek_takes_a_step_time_a_track(rate: int, byte: int, step_ms: float):
    fdc = Fdc()
    fdc.start(rate, (byte | 1, 0x03))
    fdc.recalibrate()
    start = fdc.t
    fdc.command(0x0F, 0, 20)
    begun = fdc.t
    fdc.stepped()
    assert begun - start < fdc.us(50)
    assert fdc.ms_of(fdc.t - begun) == pytest.approx(20 * step_ms, abs=0.01)
    assert fdc.sense() == bytes([0x20, 20])


def test_recalibrate_gives_up_after_77_pulses():
    fdc = Fdc(seed=3)
    fdc.start()
    fdc.s.drive[0].position = 79
    assert fdc.recalibrate() == bytes([0x70, 0])  # SE, EC, IC 01 [8272; W83977F-A]
    assert fdc.s.drive[0].position == 2
    assert fdc.recalibrate() == bytes([0x20, 0])  # the second one gets there


def test_seek_must_be_sensed_before_the_next_command():
    fdc = ready()
    fdc.command(0x0F, 0, 5)
    fdc.stepped()
    assert fdc.status() == RQM | 1
    fdc.command(0x46)
    assert fdc.results() == b"\x80"  # the next command is taken as invalid [8272]
    assert fdc.sense() == bytes([0x20, 5])


def test_overlapped_seeks():
    fdc = Fdc({"drive-b": {"geometry": "1.44M"}, "select": "chip"}, images=DISK)
    fdc.start()
    fdc.recalibrate(0)
    fdc.recalibrate(1)
    fdc.command(0x0F, 0, 10)
    assert fdc.status() & (CB | 3) == 1  # not busy, drive 0 seeks [8272]
    fdc.command(0x0F, 1, 20)
    fdc.pass_ms(0.02)
    assert fdc.status() == RQM | 3
    fdc.pass_ms(35)
    assert fdc.status() & 3 == 3
    assert fdc.sense() == bytes([0x20, 10])
    assert fdc.status() == RQM | 2
    fdc.pass_ms(30)
    assert fdc.status() == RQM | 2
    assert fdc.sense() == bytes([0x21, 20])
    assert fdc.status() == RQM
    assert [int(d.position) for d in fdc.s.drive[:2]] == [10, 20]


def test_steps_faster_than_the_drive_are_lost():
    fdc = Fdc({"drive-a": {"size": "5.25", "tracks": 40, "step": 6, "geometry": "360K"}})
    fdc.start(2, (0xF1, 0x03))  # 2 ms
    fdc.recalibrate()
    fdc.s.drive[0].position = 0
    fdc.seek(20)
    assert fdc.s.drive[0].position < 20
    assert any("step pulses came too fast and were lost" in line for line in fdc.bench.words())


def test_read_waits_until_the_head_has_settled():
    fdc = ready()
    fdc.seek(10)
    settled = int(fdc.s.drive[0].stepped_t) + fdc.us(15_000)
    fdc.command(0x4A, 0)
    fdc.results()
    assert fdc.s.start_t >= settled


def test_48_tpi_disk_in_a_96_tpi_drive():
    disk = {"size": "5.25", "tracks": 80, "rpm": 360, "geometry": "360K", "step": 3}
    fdc = Fdc({"drive-a": disk}, images=DISK)
    fdc.start(1)  # 300 kbit/s at 360 rpm is 250 kbit/s at 300 rpm
    fdc.recalibrate()
    fdc.seek(20)
    assert fdc.read(10, 1, 3)[0] == image_sector(10, 1, 3, "360K")
    fdc.seek(21)
    assert fdc.read(10, 1, 3)[1][:2] == bytes([0x44, 0x01])


# --- wiring ----------------------------------------------------------------------------------
def test_int_pulls_int_low_and_the_gate_holds_it():
    fdc = ready({"interrupt": True})
    fdc.command(0x0F, 0, 5)
    fdc.pass_ms(30)
    assert fdc.bench.int_line == 1
    fdc.output(0x14)  # gate closed
    assert fdc.bench.int_line == 0
    fdc.output(0x1C)
    assert fdc.bench.int_line == 1
    fdc.sense()
    assert fdc.bench.int_line == 0


def test_int_comes_with_each_byte_and_with_the_results():
    fdc = ready({"interrupt": True})
    fdc.command(0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
    for _ in range(3):
        fdc.bench.advance(int(fdc.bench.m.event_t[0]))
        while not fdc.bench.int_line:
            fdc.bench.advance(int(fdc.bench.m.event_t[0]))
        assert fdc.status() == RQM | DIO | NDM | CB
        fdc.bench.read("data")
        assert fdc.bench.int_line == 0
    fdc.bench.write("tc", 0)
    fdc.wait(RQM | DIO | CB, RQM | DIO | NDM | CB)
    assert fdc.bench.int_line == 1
    fdc.bench.read("data")
    assert fdc.bench.int_line == 0  # by the first result byte [8272]


def test_int_edge_pulls_nmi():
    fdc = ready({"nmi": True})
    fdc.bench.m.nmi_latch = 0
    fdc.command(0x0F, 0, 5)
    fdc.pass_ms(30)
    assert fdc.bench.m.nmi_latch == 1 and fdc.bench.int_line == 0


def test_int_triggers_a_ctc():
    from peripherals.z80_ctc import CARD as CTC

    fdc = ready(wires=[(0, "int", 1, "trigger0")], also=[(CTC, {})])
    fdc.bench.write(0, 0xD5, slot=1)  # counter, rising edge, interrupt, constant follows
    fdc.bench.write(0, 1, slot=1)
    fdc.bench.m.irq_dirty = 1
    before = fdc.bench.int_line
    fdc.command(0x0F, 0, 5)
    fdc.pass_ms(30)
    assert (before, fdc.bench.int_line) == (0, 1)


@pytest.mark.parametrize("source", ["none", "port", "wire"])
def test_terminal_count_comes_only_from_where_the_jumper_says(source: str):
    fdc = ready({"terminal-count": source})
    _, result = fdc.read(0, 0, 1)
    assert (result[0] == 0) == (source == "port")
    fdc.command(0x46, 0, 0, 0, 1, 2, 18, 0x1B, 0xFF)
    fdc.wait(RQM | DIO)
    level(fdc, 0)
    level(fdc, 1)
    if source == "wire":
        assert fdc.results()[0] == 0
    else:
        assert fdc.results()[:2] == bytes([0x40, 0x10])  # goes on, until the program is late


def level(fdc: Fdc, high: int) -> None:
    """Put a level on the input tc, as a wire from an output of slot 5 would."""
    m = fdc.bench.m
    m.wires[0] = (5, 0, 0, 0, 0)
    m.wire_count = 1
    m.line_level[5, 0] = high
    fdc.bench.call("line", 0, fdc.t)


def test_ready_from_the_drive():
    fdc = Fdc({"ready": "drive"}, images=DISK)
    fdc.output(0x0C)
    fdc.pass_ms(5)
    assert fdc.sense() == b"\x80"  # no drive is ready, so nothing has changed
    fdc.command(0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
    assert fdc.results()[0] == 0x48  # NR [8272]
    fdc.output(0x1C)
    fdc.pass_ms(410)
    assert fdc.s.int_pin == 1
    assert fdc.sense()[0] == 0xC0  # ready change of drive 0
    fdc.output(0x0C)
    fdc.pass_ms(5)
    assert fdc.sense()[0] == 0xC0


def test_plain_functions_do_what_the_machine_code_does():
    ends = []
    for native in (False, True):
        fdc = ready(native=native)
        fdc.seek(3)
        fdc.write(3, 1, 5, IMAGE[:512])
        fdc.format(3, 0, [4, 2], gap=20)
        fdc.read(3, 1, 5, eot=7, count=1024)
        fdc.bench.serve()
        ends.append((fdc.t, fdc.s.tobytes()))
    assert ends[0] == ends[1]
