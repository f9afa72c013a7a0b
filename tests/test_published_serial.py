"""Frame times, vectors and reset values of the serial chips against their manuals."""
from __future__ import annotations

import pytest
from card_bench import Bench

from peripherals.acia_6850 import CARD as ACIA
from peripherals.z80_sio import CARD as SIO

SETUP = (0x18, 4, 0x44, 3, 0xC1, 5, 0xEA)  # channel reset; x16, 8N1; receiver, transmitter on


def control(bench: Bench, channel: str, *values: int) -> None:
    """Write control bytes, 40 T-states apart."""
    for value in values:
        bench.write(f"{channel}-control", value, bench.t + 40)


def shown(line: object) -> list[int]:
    """Give the T-states at which the terminal had its characters."""
    count = int(line.shown_in)  # type: ignore[attr-defined]
    return [int(t) for t in line.shown_t[:count]]  # type: ignore[attr-defined]


@pytest.mark.parametrize(("divide", "baud", "frame"), [(0x44, 115200, 640), (0x84, 57600, 1280),
                                                       (0xC4, 28800, 2560)])
def test_sio_frame_times(divide: int, baud: int, frame: int) -> None:
    """UM0081 (WR4: x16, x32, x64): 8N1 is ten bit times; at 7.3728 MHz 640 T for 115200 baud."""
    bench = Bench(SIO, {"clock-a": "1.8432 MHz", "terminal-a": {"baud": baud}})
    control(bench, "a", 0x18, 4, divide, 3, 0xC1, 5, 0xEA)
    bench.write("a-data", 0x55, bench.t + 40)
    bench.advance(bench.t + frame // 4)
    bench.write("a-data", 0xAA, bench.t + 40)
    bench.advance(bench.t + 3 * frame)
    times = shown(bench.s.line_a)
    assert bytes(bench.s.line_a.shown[:2]) == b"\x55\xaa"
    assert times[1] - times[0] == frame


@pytest.mark.parametrize(("word", "frame"), [(0x15, 640), (0x11, 704), (0x0D, 640), (0x01, 704)])
def test_acia_frame_times(word: int, frame: int) -> None:
    """Control table of the maker's guide (1982): 8N1, 8N2, 7O1 (10 bits) and 7E2 (11 bits)."""
    form = {0x15: "8N1", 0x11: "8N2", 0x0D: "7O1", 0x01: "7E2"}[word]
    bench = Bench(ACIA, {"clock": "1.8432 MHz", "terminal": {"baud": 115200, "format": form}})
    bench.write("control", 0x03, 100)
    bench.write("control", word, 140)
    bench.write("data", 0x35, 200)
    bench.advance(400)
    bench.write("data", 0x4A, 440)
    bench.advance(4000)
    times = shown(bench.s.line)
    assert bytes(bench.s.line.shown[:2]) == b"\x35\x4a"
    assert times[1] - times[0] == frame


def test_sio_rr0_after_reset() -> None:
    """UM0081 p.312-316: CTS and DCD show the inverted pins; Tx empty and underrun are set."""
    pins = {"cts-a": "high", "dcd-a": "high"}
    known = {j.name for j in SIO.jumpers}
    bench = Bench(SIO, pins if pins.keys() <= known else {})
    low = 0 if pins.keys() <= known else 0x28
    assert bench.read("a-control", 100) & 0x6C == 0x44 | low


def test_sio_vectors_with_status() -> None:
    """UM0081 p.248: the cause replaces V3-V1; with WR2 = 60h, A receive 6Ch, A transmit 68h."""
    bench = Bench(SIO, {"clock-a": "1.8432 MHz"})
    control(bench, "b", 2, 0x60, 1, 0x04)
    control(bench, "a", *SETUP, 1, 0x02)
    bench.write("a-data", 0x41, bench.t + 40)
    bench.advance(bench.t + 2000)
    assert bench.ack(bench.t + 10) == 0x68
    bench.reti(bench.t + 10)


def test_acia_status_from_reset_to_idle() -> None:
    """After 03h then 15h with CTS and DCD low the status is 02h (from memory, derived)."""
    bench = Bench(ACIA, {})
    bench.write("control", 0x03, 100)
    bench.write("control", 0x15, 140)
    assert bench.read("control", 200) == 0x02


def test_acia_pulls_int_and_gives_no_vector() -> None:
    """No vector, no IEI: an acknowledge finds nobody (from memory)."""
    bench = Bench(ACIA, {})
    bench.write("control", 0x03, 100)
    bench.write("control", 0x35, 140)  # transmit interrupt on, the transmitter is empty
    assert bench.int_line == 1
    assert bench.ack(200) == -1
