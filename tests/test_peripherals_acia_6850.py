"""The 6850-type ACIA's flags, interrupts, reset and modem pins.

"MC6850" beside a check is the maker's data sheet, recalled; points that the fact sheets
mark as memory say so.
"""
from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from card_bench import Bench, shown, type_keys

from emu.bus import wires
from peripherals.acia_6850 import CARD
from peripherals.card import Card
from peripherals.serial_line import start_clock

RDRF, TDRE, DCD, CTS, FE, OVRN, PE, IRQ = (1 << k for k in range(8))
FRAME = 640  # 8N1 at 96000 on 6.144 MHz


def acia(control: int = 0x15, **given: Any) -> Bench:
    """Set up an ACIA at 96000 baud on 6.144 MHz: master reset, then a control byte."""
    bench = Bench(CARD, given, hz="6.144 MHz")
    bench.write("control", 0x03, 10)
    bench.write("control", control, 21)
    return bench


def until(bench: Bench, mask: int, limit: int = 20_000) -> int:
    """Poll status each T-state until a bit of ``mask`` is set; give the T-state."""
    for t in range(bench.t, bench.t + limit):
        if bench.read("control", t) & mask:
            return t
    raise AssertionError("the bit never came")


# --- reset --------------------------------------------------------------------------------
def test_power_on_holds_the_chip_until_a_master_reset() -> None:
    """MC6850: after power-on the chip stays reset, RTS high, until master reset (memory)."""
    bench = Bench(CARD, {}, hz="6.144 MHz")
    assert bench.read("control") == 0 and bench.s.line.rts == 0
    bench.write("control", 0xB5)
    bench.write("data", 0x41)
    bench.advance(5000)
    assert bench.read("control") == 0 and not bench.int_line and shown(bench) == b""
    assert bench.words() == [
        "held in reset since power-on: no master reset (03h) has been written"]
    bench.write("control", 0x03)
    assert bench.s.line.rts == 0 and bench.words()[0].startswith("held in master reset")
    bench.write("control", 0x15)
    assert bench.read("control") == TDRE and bench.s.line.rts == 1


def test_rts_and_irq_stay_high_through_the_first_master_reset_alone() -> None:
    """MC6850 (memory, 95 %; shared/facts/mc6850_more.md 1 and 5): held until another divide
    code is written; in all later master resets CR6 and CR5 decide."""
    bench = Bench(CARD, {"dcd": "terminal"}, hz="6.144 MHz")
    seen = []
    for byte in (0x95, 0x03, 0x43, 0xB7, 0x95, 0x03, 0x43, 0xD5, 0x03):
        bench.write("control", byte, bench.t + 11)
        seen.append((bench.read("control"), int(bench.s.line.rts), bench.int_line))
    assert seen == [(0, 0, 0), (0, 0, 0), (0, 0, 0), (0, 0, 0), (TDRE, 1, 0),
                    (0, 1, 0), (0, 0, 0), (TDRE, 0, 0), (0, 1, 0)]


def test_what_stands_at_the_pins_while_a_driver_runs() -> None:
    """shared/facts/mc6850_more.md 5, a table derived from the data sheet's statements."""
    bench = acia(0x95, dcd="terminal", cts="terminal")
    type_keys(bench, b"a", 100)
    bench.advance(2000)
    assert (bench.read("control"), bench.int_line) == (RDRF | TDRE | IRQ, 1)
    bench.read("data")
    assert (bench.read("control"), bench.int_line) == (TDRE, 0)
    bench.s.line.cts = 0
    bench.advance(2100)
    bench.m.event_t[0] = bench.t + 1
    bench.advance(2101)
    assert bench.read("control") == CTS
    bench.s.line.cts, bench.s.line.dcd = 1, 0
    bench.m.event_t[0] = bench.t + 1
    bench.advance(2110)
    assert (bench.read("control"), bench.int_line) == (DCD | TDRE | IRQ, 1)
    bench.read("data")
    assert (bench.read("control"), bench.int_line) == (DCD | TDRE, 0)
    bench.write("control", 0xD5)
    assert (bench.read("control"), int(bench.s.line.rts)) == (DCD | TDRE, 0)
    bench.write("control", 0x03)
    assert (bench.read("control"), int(bench.s.line.rts)) == (DCD, 1)


def test_bus_reset_does_not_reach_the_chip() -> None:
    """The chip has no reset pin (MC6850 pin list)."""
    bench = acia(0xB5)
    bench.reset(1, 1000)
    bench.m.irq_dirty = 1
    assert bench.read("control", 1001) == TDRE | IRQ
    bench.advance(1002)
    assert bench.m.ip[0] == 1


def test_master_reset_clears_everything_and_stops_a_frame() -> None:
    bench = acia(0xB5)
    type_keys(bench, b"xy", 100)
    bench.write("data", ord("a"), 2000)
    bench.write("data", ord("b"), 2100)
    bench.write("control", 0x03, 2300)
    assert bench.read("control") == 0 and not bench.int_line
    bench.write("data", ord("c"))  # held in reset: not taken
    bench.write("control", 0x15, 2400)
    assert bench.read("control") == TDRE
    bench.write("data", ord("d"), 10_000)
    bench.advance(12_000)
    assert shown(bench)[-1:] == b"d" and b"b" not in shown(bench) and b"c" not in shown(bench)


# --- transmitter --------------------------------------------------------------------------
def test_transmitter_is_double_buffered() -> None:
    """MC6850 feature list: double buffered."""
    bench = acia()
    bench.write("data", 0x31, 1000)
    assert bench.read("control") == 0
    first = until(bench, TDRE)
    assert 1000 <= first <= 1004  # the shifter takes it at the next edge of the clock
    bench.write("data", 0x32)
    assert until(bench, TDRE) == first + FRAME  # the shifter is free a frame later
    bench.advance(first + 2 * FRAME)
    assert shown(bench) == b"12"


def test_byte_written_over_a_full_register_replaces_it() -> None:
    bench = acia()
    for byte in (0x31, 0x32, 0x33):
        bench.write("data", byte, bench.t + 20)
    bench.advance(5000)
    assert shown(bench) == b"13"


def test_tdre_reads_0_while_cts_is_high_but_characters_go_out() -> None:
    """MC6850: CTS high inhibits TDRE, not the shift register (memory)."""
    bench = acia(0x35, cts="high")
    assert bench.read("control") == CTS and not bench.int_line
    bench.write("data", 0x41, 500)
    bench.advance(3000)
    assert shown(bench) == b"A" and bench.read("control") == CTS
    assert any("CTS is high: TDRE reads 0" in words for words in bench.words())


def test_cts_from_the_terminal_is_followed() -> None:
    bench = acia(0x35, cts="terminal")
    assert bench.read("control") == TDRE | IRQ
    bench.s.line.cts = 0
    bench.m.event_t[0] = bench.t + 5
    bench.advance(bench.t + 5)
    assert bench.read("control") == CTS and not bench.int_line
    bench.s.line.cts = 1
    bench.m.event_t[0] = bench.t + 5
    bench.advance(bench.t + 5)
    assert bench.read("control") == TDRE | IRQ and bench.int_line


# --- receiver -----------------------------------------------------------------------------
def test_received_byte_stays_readable_and_status_shows_it_once() -> None:
    bench = acia()
    type_keys(bench, b"K", 1000)
    at = until(bench, RDRF)
    assert 1000 + 9.5 * 64 <= at <= 1000 + 9.5 * 64 + 5  # mid stop bit, up to 1/16 bit late
    assert bench.read("control") == RDRF | TDRE
    assert bench.read("data") == ord("K") and bench.read("control") == TDRE
    assert bench.read("data") == ord("K")


def test_overrun_shows_after_the_last_good_byte_and_clears_with_the_next_read() -> None:
    """MC6850: the overrun does not appear until the byte before it has been read, RDRF stays
    until the overrun is reset, a data read resets it (memory)."""
    bench = acia(0x95)
    type_keys(bench, b"abc", 1000)
    bench.advance(1000 + 3 * FRAME)
    assert bench.read("control") == RDRF | TDRE | IRQ
    assert bench.read("data") == ord("a")
    assert bench.read("control") == RDRF | TDRE | OVRN | IRQ and bench.int_line
    assert bench.read("data") == ord("a")
    assert bench.read("control") == TDRE and not bench.int_line
    assert "2 lost by overrun" in " ".join(bench.words())


def test_byte_is_kept_when_it_is_read_before_the_next_is_complete() -> None:
    """One byte of cushion: receive register and shift register."""
    bench = acia()
    type_keys(bench, b"ab", 1000)
    first = until(bench, RDRF)
    assert bench.read("data", first + FRAME - 1) == ord("a")
    bench.advance(first + FRAME)
    assert bench.read("control") == RDRF | TDRE and bench.read("data") == ord("b")


def test_framing_error_belongs_to_its_byte() -> None:
    """A terminal at half the rate: its start bit reads as start and a low data bit."""
    bench = acia(terminal={"baud": 57600})
    type_keys(bench, b"\x00", 1000)
    until(bench, RDRF)
    assert bench.read("control") & FE and bench.read("data") == 0
    bench.write("control", 0x03)
    bench.write("control", 0x15)
    assert bench.read("control") == TDRE


def test_parity_error_shows_with_its_byte_and_goes_with_the_next() -> None:
    bench = acia(0x1D, terminal={"format": "8E1"})
    type_keys(bench, b"p", 1000)
    until(bench, RDRF)
    assert bench.read("control") == RDRF | TDRE | PE
    bench.read("data")
    bench.write("control", 0x19)
    type_keys(bench, b"q", bench.t + 10)
    until(bench, RDRF)
    assert bench.read("control") == RDRF | TDRE and bench.read("data") == ord("q")


# --- interrupts ---------------------------------------------------------------------------
def test_irq_follows_its_cause_and_enable() -> None:
    """MC6850, IRQ: set by TDRE with transmit interrupts on, by RDRF with receive interrupts
    on; cleared by data write, data read, or the enable."""
    bench = acia(0x15)
    assert not bench.int_line
    bench.write("control", 0x35)
    assert bench.int_line and bench.read("control") == TDRE | IRQ
    bench.write("data", 0x41)
    assert not bench.int_line and bench.read("control") == 0
    bench.advance(bench.t + 4)
    assert bench.int_line
    bench.write("control", 0x95)
    assert not bench.int_line
    type_keys(bench, b"K", 3000)
    until(bench, RDRF)
    assert bench.int_line and bench.read("control") == RDRF | TDRE | IRQ
    bench.read("data")
    assert not bench.int_line


def test_it_gives_no_vector_and_is_not_served() -> None:
    bench = acia(0x35)
    assert bench.int_line and bench.ack() == -1 and bench.int_line


def test_without_its_interrupt_jumper_status_bit_7_works_and_int_stays_high() -> None:
    bench = acia(0x35, interrupt=False)
    assert bench.read("control") == TDRE | IRQ and not bench.int_line


def test_send_break_and_rts_high_turn_the_transmit_interrupt_off() -> None:
    for control, rts in ((0x55, 0), (0x75, 1), (0x15, 1)):
        bench = acia(control)
        assert not bench.int_line and bench.s.line.rts == rts, hex(control)


# --- carrier ------------------------------------------------------------------------------
def lose_carrier(bench: Bench, present: int) -> None:
    bench.s.line.dcd = present
    bench.m.event_t[0] = bench.t + 5
    bench.advance(bench.t + 5)


def test_lost_carrier_is_latched_until_status_and_data_are_read() -> None:
    """MC6850: DCD stays set after the pin is low again until status, then data, is read."""
    bench = acia(0x95, dcd="terminal")
    lose_carrier(bench, 0)
    assert bench.int_line and bench.read("control") == DCD | TDRE | IRQ
    lose_carrier(bench, 1)
    assert bench.read("control") == DCD | TDRE | IRQ
    bench.read("data")
    assert bench.read("control") == TDRE and not bench.int_line


def test_data_read_without_status_read_leaves_the_latch() -> None:
    bench = acia(0x95, dcd="terminal")
    lose_carrier(bench, 0)
    lose_carrier(bench, 1)
    bench.read("data")
    assert bench.int_line and bench.read("control") & DCD


def test_bit_follows_the_pin_once_the_interrupt_is_cleared() -> None:
    """MC6850: with the pin still high the interrupt clears and the bit stays until it falls."""
    bench = acia(0x95, dcd="terminal")
    lose_carrier(bench, 0)
    bench.read("control")
    bench.read("data")
    assert bench.read("control") == DCD | TDRE and not bench.int_line
    lose_carrier(bench, 1)
    assert bench.read("control") == TDRE


def test_receiver_is_off_without_carrier() -> None:
    bench = acia(0x95, dcd="high")
    type_keys(bench, b"K", 1000)
    bench.advance(3000)
    assert bench.read("control") == DCD | TDRE
    assert any("off because DCD is high" in words for words in bench.words())


# --- clocks -------------------------------------------------------------------------------
OSCILLATOR = Card("oscillator", "", "", np.dtype([("slot", np.int64)]), outputs=("out",))


def test_clock_comes_over_a_wire_and_may_change_and_stop() -> None:
    """38400 baud of 614.4 kHz at 6.144 MHz: ten clock periods of T-states a period."""
    bench = Bench(CARD, {"terminal": {"baud": 38400}}, also=[(OSCILLATOR, {})],
                  wires=[(1, "out", 0, "clock")], hz="6.144 MHz")
    bench.write("control", 0x03, 10)
    bench.write("control", 0x15, 20)
    bench.write("data", 0x41, 30)
    bench.advance(5000)
    assert shown(bench) == b"" and bench.read("control") == 0
    assert bench.words()[0].startswith("no clock runs")
    assert "41h in the data register waits for a clock" in " ".join(bench.words())
    wires.drive_clock(bench.m, 1, 0, 10, 1, 5003, 0, 5003)
    bench.advance(5013 + 1600)  # the edge after the one it begins with
    assert shown(bench) == b"A"
    assert bench.words()[0] == "38400 baud 8N1, the terminal 38400 baud 8N1"
    bench.write("data", 0x42, 7000)
    wires.drive_level(bench.m, 1, 0, 1, 7500)  # three bits on, the clock stops for 4 ms
    bench.advance(30_000)
    assert bench.read("control") == TDRE
    assert len(shown(bench)) >= 2  # the terminal went on without it
    wires.drive_clock(bench.m, 1, 0, 10, 1, 30_000, 0, 30_000)
    bench.advance(40_000)
    bench.write("data", 0x43, 40_000)
    bench.advance(45_000)
    assert shown(bench)[-1:] == b"C"


def test_half_the_clock_from_mid_frame_doubles_the_rest_of_it() -> None:
    """A frame of 55h whose clock halves after exactly five bits lasts 5 + 5 * 2 bits."""
    ends = []
    for num in (10, 20):
        bench = Bench(CARD, {"terminal": {"baud": 38400}}, also=[(OSCILLATOR, {})],
                      wires=[(1, "out", 0, "clock")], hz="6.144 MHz")
        wires.drive_clock(bench.m, 1, 0, 10, 1, 0, 0, 0)
        bench.write("control", 0x03, 10)
        bench.write("control", 0x15, 20)
        bench.write("data", 0x55, 1000)
        bench.advance(1001)
        bench.advance(1000 + 5 * 160)
        wires.drive_clock(bench.m, 1, 0, num, 1, 1800, 0, 1800)
        bench.write("data", 0x55, 1810)
        ends.append(until(bench, TDRE))
    assert ends == [1000 + 1600, 1000 + 5 * 160 + 5 * 320]


def test_receiver_goes_on_after_a_clock_that_stopped_between_looks() -> None:
    """Both ends stop and start together as far as the chip can tell: its looks keep their
    number of clock periods, so a slow terminal's byte is read with the pause left out."""
    bench = acia(terminal={"baud": 96000})
    line = bench.s.line
    type_keys(bench, b"U", 1000)
    bench.advance(1300)
    start_clock(bench.m, line, np.int64(1300), line.clock.num, line.clock.den, line.clock.t,
                line.clock.rem)
    bench.m.event_t[0] = 1301
    assert until(bench, RDRF) <= 1000 + 640 and bench.read("data") == ord("U")


# --- words --------------------------------------------------------------------------------
def test_words_tell_rate_error_and_state() -> None:
    bench = acia(0x96, terminal={"baud": 9600, "format": "7E1"})
    type_keys(bench, b"late", 50_000)
    assert bench.words() == [
        "24000 baud 8N1 (+150 %), the terminal 9600 baud 7E1: they do not understand each other",
        "receiver: 0 characters came",
        "transmitter: 0 characters begun",
        "interrupts enabled: receive",
        "status 02h, control 96h",
        "4 typed characters wait",
    ]


@pytest.mark.parametrize("clock", ["none"])
def test_no_clock_at_all(clock: str) -> None:
    bench = acia(clock=clock)
    bench.write("data", 0x41)
    bench.advance(10_000)
    assert bench.read("control") == 0 and shown(bench) == b""


# --- machine code -------------------------------------------------------------------------
def test_machine_code_does_what_the_functions_do() -> None:
    states = []
    for native in (False, True):
        bench = Bench(CARD, {"terminal": {"baud": 110000, "format": "8E1"}}, native=native,
                      hz="6.144 MHz")
        bench.write("control", 0x03, 10)
        bench.write("control", 0xB5, 21)
        type_keys(bench, b"every key", 900)
        for t in range(1000, 20_000, 333):
            if bench.read("control", t) & RDRF:
                bench.read("data")
            bench.write("data", t & 0xFF)
            if t % 5 == 0:
                bench.write("control", 0x75 if t % 2 else 0xB9)
        states.append(bench.s.tobytes())
    assert states[0] == states[1]
