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


@pytest.mark.parametrize(("divide", "baud", "frame"), [(0x44, 96000, 640), (0x84, 48000, 1280),
                                                       (0xC4, 24000, 2560)])
def test_sio_frame_times(divide: int, baud: int, frame: int) -> None:
    """UM0081 (WR4: x16, x32, x64): 8N1 is ten bit times; at 6.144 MHz 640 T for 96000 baud."""
    bench = Bench(SIO, {"clock-a": "1.536 MHz", "terminal-a": {"baud": baud}})
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
    bench = Bench(ACIA, {"clock": "1.536 MHz", "terminal": {"baud": 96000, "format": form}})
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
    bench = Bench(SIO, {"clock-a": "1.536 MHz"})
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


# --- tables -------------------------------------------------------------------------------
RATES = [  # clock, x16, x32, x64: rate = clock pin / ratio (UM0081, WR4)
    ("1.536 MHz", 96000, 48000, 24000), ("3.072 MHz", 192000, 96000, 48000),
    ("4.9152 MHz", 307200, 153600, 76800), ("6.144 MHz", 384000, 192000, 96000),
    ("614.4 kHz", 38400, 19200, 9600), ("307.2 kHz", 19200, 9600, 4800),
    ("153.6 kHz", 9600, 4800, 2400), ("4 MHz", 250000, 125000, 62500),
]


@pytest.mark.parametrize(("clock", "ratio", "baud"), [
    (row[0], k, row[1 + k]) for row in RATES for k in range(3)])
def test_sio_baud_table(clock: str, ratio: int, baud: int) -> None:
    """A terminal at the table's rate understands a byte, and the words name no error."""
    bench = Bench(SIO, {"clock-a": clock, "terminal-a": {"baud": baud}})
    control(bench, "a", 0x18, 4, (0x44, 0x84, 0xC4)[ratio], 3, 0xC1, 5, 0xEA)
    bench.write("a-data", 0xA5, bench.t + 40)
    bench.advance(bench.t + 12 * 6144000 // baud)
    assert bytes(bench.s.line_a.shown[:int(bench.s.line_a.shown_in)]) == b"\xA5"
    assert bench.words()[0] == f"a: {baud:.6g} baud 8N1, the terminal {baud} baud 8N1"


@pytest.mark.parametrize(("clock", "divide", "baud"), [
    ("6.144 MHz", 0x15, 384000), ("6.144 MHz", 0x16, 96000), ("3.072 MHz", 0x15, 192000),
    ("3.072 MHz", 0x16, 48000), ("1.536 MHz", 0x15, 96000), ("1.536 MHz", 0x16, 24000),
    ("614.4 kHz", 0x15, 38400), ("614.4 kHz", 0x16, 9600), ("307.2 kHz", 0x15, 19200),
    ("307.2 kHz", 0x16, 4800), ("153.6 kHz", 0x15, 9600), ("153.6 kHz", 0x16, 2400)])
def test_acia_baud_table(clock: str, divide: int, baud: int) -> None:
    """Maker's guide (1982): bits 1-0 = 01 divide by 16, 10 by 64."""
    bench = Bench(ACIA, {"clock": clock, "terminal": {"baud": baud}})
    bench.write("control", 0x03, 100)
    bench.write("control", divide, 140)
    assert bench.words()[0] == f"{baud:.6g} baud 8N1, the terminal {baud} baud 8N1"


@pytest.mark.parametrize(("word", "form", "bits"), [
    (0, "7E2", 11), (1, "7O2", 11), (2, "7E1", 10), (3, "7O1", 10),
    (4, "8N2", 11), (5, "8N1", 10), (6, "8E1", 11), (7, "8O1", 11)])
def test_acia_word_select(word: int, form: str, bits: int) -> None:
    """Maker's guide (1982), control bits 4-2; bits a frame follow."""
    bench = Bench(ACIA, {"terminal": {"format": form}})
    bench.write("control", 0x03, 100)
    bench.write("control", 0x01 | word << 2, 140)
    bench.write("data", 0x35, 200)
    bench.advance(300)
    bench.write("data", 0x4A)
    bench.advance(4000)
    line = bench.s.line
    assert bytes(line.shown[:int(line.shown_in)]) == b"\x35\x4A"
    assert shown(line)[1] - shown(line)[0] == 64 * bits
    assert not line.term_parity_errors + line.term_framing_errors


@pytest.mark.parametrize(("value", "rts", "asks", "breaks"), [
    (0x15, 1, 0, 0), (0x35, 1, 1, 0), (0x55, 0, 0, 0), (0x75, 1, 0, 1)])
def test_acia_sender_control(value: int, rts: int, asks: int, breaks: int) -> None:
    """Maker's guide (1982), control bits 6-5; the break of 11 is from memory."""
    bench = Bench(ACIA, {})
    bench.write("control", 0x03, 100)
    bench.write("control", value, 140)
    bench.advance(3000)
    line = bench.s.line
    assert (int(line.rts), bench.int_line, int(line.term_breaks)) == (rts, asks, breaks)


def test_acia_91h_is_8n2_by_16_with_receive_interrupt() -> None:
    """Public message of 1982: 91h = /16, 8 bits, 2 stop, RTS low, receive interrupt on."""
    bench = Bench(ACIA, {"terminal": {"format": "8N2"}})
    bench.write("control", 0x03, 100)
    bench.write("control", 0x91, 140)
    assert bench.words()[0] == "96000 baud 8N2, the terminal 96000 baud 8N2"
    assert bench.words()[3] == "interrupts enabled: receive" and bench.s.line.rts == 1


CAUSES = [  # V3 V2 V1 (UM0081 p.248 for the eight cases; their order is from memory)
    ("b", "transmit", 0x00), ("b", "status", 0x02), ("b", "receive", 0x04), ("b", "special", 0x06),
    ("a", "transmit", 0x08), ("a", "status", 0x0A), ("a", "receive", 0x0C), ("a", "special", 0x0E)]


@pytest.mark.parametrize("base", [0x00, 0x60, 0xF1])
@pytest.mark.parametrize(("channel", "cause", "code"), CAUSES)
def test_sio_vector_of_every_cause(base: int, channel: str, cause: str, code: int) -> None:
    """Bits 3-1 tell the cause; the others, bit 0 too, come from WR2."""
    baud = 48000 if cause == "special" else 96000  # at half the rate NUL has no stop bit
    bench = Bench(SIO, {f"cts-{channel}": "terminal", f"terminal-{channel}": {"baud": baud}})
    enable = {"transmit": 0x02, "status": 0x01}.get(cause, 0x10)
    control(bench, channel, *SETUP, 1, enable)
    control(bench, "b", 2, base, 1, 0x04 | (enable if channel == "b" else 0))
    line = bench.s.line_a if channel == "a" else bench.s.line_b
    if cause == "transmit":
        bench.write(f"{channel}-data", 0x41)
    elif cause == "status":
        line.cts = 0
        bench.m.event_t[0] = bench.t + 1
    else:
        line.typed[0] = 0x00
        line.typed_t[0] = bench.t
        line.typed_in = 1
        bench.m.event_t[0] = bench.t
    bench.advance(bench.t + 1200)
    assert bench.ack() == (base & 0xF1) | code


@pytest.mark.parametrize(("cts", "dcd", "value"), [
    ("high", "high", 0x44), ("low", "high", 0x64), ("low", "low", 0x6C)])
def test_sio_rr0_after_reset_for_each_pin(cts: str, dcd: str, value: int) -> None:
    """UM0081 p.316: the bits show the inverted pins; Tx empty after reset is from memory."""
    bench = Bench(SIO, {"cts-a": cts, "dcd-a": dcd})
    assert bench.read("a-control", 100) == value


@pytest.mark.parametrize(("frames", "overrun"), [(3, 0), (4, 1)])
def test_sio_receive_cushion(frames: int, overrun: int) -> None:
    """UM0081 p.319: three characters wait, the fourth is one too many. At 96000 baud and
    6.144 MHz that is four frames, 2560 T, from the first start bit."""
    bench = Bench(SIO, {})
    control(bench, "a", *SETUP)
    line = bench.s.line_a
    for k in range(4):
        line.typed[k], line.typed_t[k] = 0x41 + k, 1000
    line.typed_in = 4
    bench.m.event_t[0] = 1000
    bench.advance(1000 + frames * 640)
    assert bench.s.channel[0].overruns == overrun
    assert bench.s.channel[0].received == frames
