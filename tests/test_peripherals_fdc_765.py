"""The 765-class controller: phases, commands and status bits.

Sources: [8272] the translated description of the i8272 in a public documentation set;
[SIO] Super-I/O data sheets with the same core (FDC37B770, LPC47M10x, W83977F-A).
"""
from __future__ import annotations

import pytest
from fdc_bench import CB, DIO, IMAGE, NDM, RQM, Fdc, image_sector

MIXED = bytes(range(256)) * 2


@pytest.fixture
def fdc() -> Fdc:
    """A controller with a formatted 1.44M disk, ready, head at track 0."""
    fdc = Fdc(images={"drive-a": IMAGE})
    fdc.start()
    fdc.recalibrate()
    return fdc


def test_held_in_reset_until_the_output_register_lets_go():
    fdc = Fdc()
    assert fdc.status() == 0  # output register 00h after RESET; from memory
    fdc.bench.write("data", 0x08)
    fdc.output(0x0C)
    assert fdc.status() == RQM  # idle is 80h [8272]


def test_four_ready_changes_after_reset():
    fdc = Fdc()
    fdc.output(0x0C)
    fdc.pass_ms(5)
    assert fdc.s.int_pin == 1
    codes = [fdc.sense()[0] for _ in range(4)]
    assert codes == [0xC0, 0xC1, 0xC2, 0xC3]  # 82077 p.39: one for each of four drives
    assert fdc.s.int_pin == 0
    assert fdc.sense() == b"\x80"  # nothing pending: invalid [8272]


def test_status_at_each_step_of_a_read(fdc: Fdc):
    assert fdc.status() == RQM
    fdc.bench.write("data", 0x46)
    assert fdc.status() == CB  # RQM is low behind a byte; 12 us at 8 MHz, from memory
    assert fdc.status(fdc.t + fdc.us(11)) == CB
    assert fdc.status(fdc.t + fdc.us(1)) == RQM | CB  # 90h: waits for the next byte [8272]
    for byte in (0, 0, 0, 3, 2, 3, 0x1B):
        fdc.bench.write("data", byte)
        fdc.pass_ms(0.02)
    fdc.bench.write("data", 0xFF)
    assert fdc.status() == CB | NDM | DIO  # execution, non-DMA, no byte yet
    fdc.wait(RQM | DIO)
    assert fdc.status() == RQM | DIO | NDM | CB  # F0h: a byte is ready
    fdc.bench.read("data")
    assert fdc.status() == DIO | NDM | CB  # between bytes 70h; from memory
    fdc.bench.write("tc", 0)
    fdc.wait(RQM | DIO | CB, RQM | DIO | NDM | CB)
    assert fdc.status() == RQM | DIO | CB  # D0h: results
    assert len(fdc.results()) == 7
    assert fdc.status() == RQM


def test_writing_asks_with_b0(fdc: Fdc):
    fdc.command(0x45, 0, 0, 0, 3, 2, 3, 0x1B, 0xFF)
    fdc.wait(RQM, RQM)
    assert fdc.status() == RQM | NDM | CB  # B0h


def test_result_bytes_must_all_be_read(fdc: Fdc):
    fdc.command(0x04, 0)
    fdc.wait(RQM | DIO)
    fdc.bench.write("data", 0x08)  # lost: the chip waits for a read [8272]
    assert len(fdc.results()) == 1
    assert "1 accesses of the data register without RQM" in fdc.bench.words()


# --- reading and writing ---------------------------------------------------------------------
def test_read_with_terminal_count_ends_well(fdc: Fdc):
    data, result = fdc.read(0, 0, 1, eot=9)
    assert data == image_sector(0, 0, 1)
    assert result == bytes([0, 0, 0, 0, 0, 2, 2])  # R < EOT: R + 1 [8272, result ID table]


def test_read_without_terminal_count_says_end_of_cylinder(fdc: Fdc):
    data, result = fdc.read(0, 0, 18, tc=False)
    assert data == image_sector(0, 0, 18)
    assert result == bytes([0x40, 0x80, 0, 1, 0, 1, 2])  # EN; LPC47M10x table 13


def test_several_sectors_in_one_command(fdc: Fdc):
    data, result = fdc.read(0, 0, 5, eot=18, count=4 * 512)
    assert data == b"".join(image_sector(0, 0, r) for r in range(5, 9))
    assert result == bytes([0, 0, 0, 0, 0, 9, 2])


def test_multi_track_goes_on_at_head_1(fdc: Fdc):
    data, result = fdc.read(0, 0, 18, eot=18, count=2 * 512, op=0xC6)
    assert data == image_sector(0, 0, 18) + image_sector(0, 1, 1)
    assert result == bytes([4, 0, 0, 0, 1, 2, 2])  # HD is 1 now; R + 1
    _, result = fdc.read(0, 1, 18, eot=18, op=0xC6)
    assert result == bytes([4, 0, 0, 1, 0, 1, 2])  # C + 1, H complemented, R = 01 [8272]


def test_short_transfer_with_n_0():
    fdc = Fdc({"drive-a": {"geometry": {"cylinders": 80, "heads": 1, "sectors": 32, "rate": 500,
                                        "sector-size": 128, "gap3": 10}}},
              images={"drive-a": IMAGE})
    fdc.start()
    fdc.recalibrate()
    data, result = fdc.read(0, 0, 3, count=40, n=0, dtl=40, tc=False)
    assert data == IMAGE[256:296] and result[:2] == b"\x40\x80"  # DTL counts with N = 0 [8272]
    assert fdc.write(0, 0, 3, b"x" * 40, n=0, dtl=40, tc=False)[:2] == b"\x40\x80"
    data, _ = fdc.read(0, 0, 3, count=128, n=0)
    assert data == b"x" * 40 + bytes(88)  # the rest is filled with zeros [8272]


def test_written_sector_reads_back_and_its_neighbours_stay(fdc: Fdc):
    assert fdc.write(0, 1, 4, MIXED) == bytes([4, 0, 0, 1, 1, 1, 2])
    assert fdc.read(0, 1, 4)[0] == MIXED
    for r in (3, 5):
        assert fdc.read(0, 1, r)[0] == image_sector(0, 1, r)


def test_terminal_count_in_a_write_fills_with_zeros(fdc: Fdc):
    fdc.write(0, 0, 4, b"\xAA" * 100)
    assert fdc.read(0, 0, 4)[0] == b"\xAA" * 100 + bytes(412)  # [8272]


def test_deleted_data_mark(fdc: Fdc):
    assert fdc.write(0, 0, 2, MIXED, op=0x49)[0] == 0
    data, result = fdc.read(0, 0, 2, eot=3, count=1024, tc=False)
    assert data == MIXED  # read, then the command ends with CM [8272]
    assert result[:3] == bytes([0, 0, 0x40]) and result[5] == 2
    data, result = fdc.read(0, 0, 1, eot=3, count=1024, op=0x66)  # SK: passed over
    assert data == image_sector(0, 0, 1) + image_sector(0, 0, 3)
    assert result[2] == 0x40
    data, result = fdc.read(0, 0, 2, op=0x4C)
    assert data == MIXED and result[2] == 0


def test_read_id_gives_the_next_one(fdc: Fdc):
    seen = []
    for _ in range(3):
        fdc.command(0x4A, 0)
        result = fdc.results()
        assert result[:3] == bytes(3)
        seen.append(result[5])
    assert seen[1] == seen[0] % 18 + 1 and seen[2] == seen[1] % 18 + 1


def test_read_track_takes_sectors_as_they_pass(fdc: Fdc):
    fdc.format(0, 0, [3, 1, 2, 9, 8, 7])
    for k, r in enumerate([3, 1, 2]):
        fdc.write(0, 0, r, bytes([k]) * 512)
    data, result = fdc.read(0, 0, 1, eot=3, count=3 * 512, op=0x42, tc=False)
    assert data == b"\0" * 512 + b"\1" * 512 + b"\2" * 512
    assert result[1] & 0x04  # ND: an ID was not the one asked for [8272]


def test_sector_that_is_not_there_is_given_up_at_the_second_index(fdc: Fdc):
    before = fdc.t
    _, result = fdc.read(0, 0, 19)
    assert result[:3] == bytes([0x40, 0x04, 0])  # ND [8272]
    assert 200 < fdc.ms_of(fdc.t - before) < 406  # between one turn and two, and the head load


def test_wrong_cylinder_in_the_ids(fdc: Fdc):
    fdc.format(0, 0, [1, 2])
    _, result = fdc.read(7, 0, 1)
    assert result[:3] == bytes([0x40, 0x04, 0x10])  # ND and WC [8272]
    fdc.command(0x4D, 0, 2, 1, 0x54, 0xE5)
    fdc.send(bytes([0xFF, 0, 1, 2]))
    fdc.results()
    assert fdc.read(7, 0, 1)[1][:3] == bytes([0x40, 0x04, 0x12])  # C = FFh: BC too [8272]


def test_bad_crc_in_the_data(fdc: Fdc):
    fdc.command(0x45, 0, 0, 0, 4, 2, 4, 0x1B, 0xFF)
    fdc.send(MIXED[:200])
    assert fdc.results()[:2] == bytes([0x40, 0x10])  # the program stops bringing bytes: OR
    data, result = fdc.read(0, 0, 4)
    assert result[:3] == bytes([0x40, 0x20, 0x20])  # DE, and DD for the data field [SIO]
    assert data == MIXED[:200] + image_sector(0, 0, 4)[200:]


def test_missing_data_field(fdc: Fdc):
    fdc.format(0, 0, [1, 2, 3])
    track = fdc.track(0)
    at = track.data.index(0xFB, track.marks.index(1, 190))
    fdc.s.marks[at - 3:at] = 0  # a demagnetised mark
    _, result = fdc.read(0, 0, 1)
    assert result[:3] == bytes([0x40, 0x01, 0x01])  # MA and MD [8272]


def test_unformatted_disk_has_no_marks():
    fdc = Fdc()
    fdc.start()
    fdc.recalibrate()
    assert fdc.read(0, 0, 1)[1][:3] == bytes([0x40, 0x01, 0])  # MA [8272]


def test_wrong_rate_finds_no_marks(fdc: Fdc):
    fdc.bench.write("rate", 2)
    assert fdc.read(0, 0, 1)[1][:3] == bytes([0x40, 0x01, 0])
    fdc.bench.write("rate", 0)
    assert fdc.read(0, 0, 1)[1][0] == 0
    assert fdc.read(0, 0, 1, op=0x06)[1][:3] == bytes([0x40, 0x01, 0])  # FM on an MFM disk


def test_late_program_overruns(fdc: Fdc):
    for hold, ends in ((12, "good"), (15, "overrun")):  # 13 us at 500 kbit/s [8272]
        fdc.command(0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
        fdc.wait(RQM | DIO)
        fdc.bench.advance(fdc.t + fdc.us(hold))
        if ends == "good":
            fdc.bench.read("data")
            fdc.wait(RQM | DIO)
            assert fdc.status() & NDM
            fdc.bench.write("tc", 0)
            assert fdc.results()[0] == 0
        else:
            assert fdc.results()[:2] == bytes([0x40, 0x10])  # OR


@pytest.mark.parametrize(("source", "count", "code"), [
    ("none", 512, "missing-terminal-count"),  # it went on to sector 2 [8272: until TC, or EOT]
    ("none", 519, "missing-terminal-count"),  # seven data were taken for a result
    ("none", 200, "data-overrun"),  # in the middle of the sector that was wanted
    ("none", 700, "data-overrun"),  # in the middle of the next one
    ("port", 512, "data-overrun"),  # a line gives terminal count: it was not used in time
])
def test_an_overrun_behind_the_last_sector_wanted_is_a_missing_terminal_count(
        source: str, count: int, code: str) -> None:
    fdc = Fdc({"terminal-count": source}, images={"drive-a": IMAGE})
    fdc.start()
    fdc.recalibrate()
    assert fdc.read(0, 0, 1, eot=9, count=count, tc=False)[1][:2] == bytes([0x40, 0x10])
    fdc.bench.m.slot_writes[0] = 9  # the command was written to it
    told = [one.code for one in fdc.bench.cards[0].troubles(fdc.bench.m, fdc.s)]
    assert [one for one in told if one in ("missing-terminal-count", "data-overrun")] == [code]


def test_dma_mode_without_dma_overruns(fdc: Fdc):
    fdc.command(0x03, 0xD1, 0x02)  # ND = 0
    fdc.command(0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
    assert fdc.status() & (RQM | NDM) == 0
    assert fdc.results()[:2] == bytes([0x40, 0x10])
    assert "set up for DMA, which this card has not" in fdc.bench.words()[0]


# --- scan ------------------------------------------------------------------------------------
@pytest.mark.parametrize("op, disk, cpu, st2", [  # [8272, table of scan status codes]
    (0x51, 5, 5, 0x08), (0x51, 5, 6, 0x04),
    (0x59, 5, 5, 0x08), (0x59, 4, 5, 0x00), (0x59, 6, 5, 0x04),
    (0x5D, 5, 5, 0x08), (0x5D, 6, 5, 0x00), (0x5D, 4, 5, 0x04),
    (0x51, 0xFF, 6, 0x08), (0x51, 5, 0xFF, 0x08),  # FFh stands for any byte
])
def test_scan(fdc: Fdc, op: int, disk: int, cpu: int, st2: int):
    fdc.write(0, 0, 1, bytes([disk]) * 512)
    result = fdc.write(0, 0, 1, bytes([cpu]) * 512, op=op, dtl=1)
    assert (result[0], result[2]) == (0, st2)


def test_scan_goes_on_to_the_sector_that_matches(fdc: Fdc):
    for r in (1, 2, 3):
        fdc.write(0, 0, r, bytes([r]) * 512)
    result = fdc.write(0, 0, 1, bytes([3]) * 3 * 512, op=0x51, eot=5, dtl=1, tc=False)
    assert result[2] == 0x08 and result[5] == 3


# --- write protect, drives, other commands ---------------------------------------------------
def test_write_protected_disk():
    fdc = Fdc({"drive-a": {"geometry": "1.44M", "write-protect": True}},
              images={"drive-a": IMAGE})
    fdc.start()
    fdc.recalibrate()
    assert fdc.write(0, 0, 1, MIXED)[:2] == bytes([0x40, 0x02])  # NW [8272]
    fdc.command(0x4D, 0, 2, 9, 0x54, 0xE5)
    assert fdc.results()[:2] == bytes([0x40, 0x02])
    fdc.command(0x04, 0)
    assert fdc.results() == b"\x78"  # ST3: WP, RDY, T0, TS
    assert fdc.read(0, 0, 1)[0] == image_sector(0, 0, 1)


def test_sense_drive(fdc: Fdc):
    fdc.command(0x04, 0x04)
    assert fdc.results() == b"\x3C"  # RDY, T0, TS, HD
    fdc.seek(1)
    fdc.command(0x04, 0x00)
    assert fdc.results() == b"\x28"


@pytest.mark.parametrize("chip, answer", [("765a", 0x80), ("765b", 0x90)])
def test_version(chip: str, answer: int):
    fdc = Fdc({"chip": chip})
    fdc.start()
    fdc.command(0x10)
    assert fdc.results() == bytes([answer])  # uPD765 data sheet, part number and ST0


def test_unknown_command_is_invalid(fdc: Fdc):
    for op in (0x00, 0x01, 0x0B, 0x0E, 0x12, 0x1F):
        fdc.command(op)
        assert fdc.results() == b"\x80"  # no INT [8272]
        assert fdc.s.int_pin == 0


def test_early_part_does_not_see_an_overrun_at_the_last_byte():
    for chip, st0 in (("765a", 0x00), ("765b", 0x40)):  # from memory
        fdc = Fdc({"chip": chip}, images={"drive-a": IMAGE})
        fdc.start()
        fdc.recalibrate()
        fdc.command(0x46, 0, 0, 0, 1, 2, 18, 0x1B, 0xFF)
        for _ in range(511):
            fdc.wait(RQM | DIO)
            fdc.bench.read("data")
        fdc.wait(RQM | DIO)
        fdc.bench.advance(fdc.t + fdc.us(20))
        if fdc.status() & NDM:
            assert fdc.bench.read("data") == image_sector(0, 0, 1)[511]
            fdc.bench.write("tc", 0)
        assert fdc.results()[0] == st0


def test_reset_in_the_middle_of_a_transfer(fdc: Fdc):
    fdc.command(0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
    fdc.wait(RQM | DIO)
    fdc.output(0x18)
    assert fdc.status() == 0
    fdc.output(0x1C)
    fdc.pass_ms(3)
    assert fdc.status() == RQM and fdc.s.int_pin == 1
    assert [fdc.sense()[0] for _ in range(4)] == [0xC0, 0xC1, 0xC2, 0xC3]
    assert fdc.read(0, 0, 1)[0] == image_sector(0, 0, 1)  # SPECIFY's times outlive a reset
