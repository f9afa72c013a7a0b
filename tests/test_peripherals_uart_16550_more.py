"""The 16550-type UART: priorities, FIFO control, stick parity, the loop (from memory)."""
from __future__ import annotations

import pytest
from test_peripherals_uart_16550 import (
    DATA,
    FRAME,
    IER,
    IIR,
    LCR,
    LSR,
    MCR,
    MSR,
    SCR,
    shown,
    type_keys,
    uart,
)


def test_priorities_one_after_the_other() -> None:
    bench = uart()
    bench.read(MSR)
    bench.write(IER, 0x0F)
    bench.s.line.cts = 0  # a modem change
    type_keys(bench, b"ab", bench.t + 10)  # no FIFO: an overrun, and a character
    bench.advance(bench.t + 2 * FRAME + 100)
    assert bench.read(IIR) == 0x06  # line status
    bench.read(LSR)
    assert bench.read(IIR) == 0x04  # received data
    assert bench.read(IIR) == 0x04  # reading IIR does not clear it
    assert bench.read(DATA) == ord("b")
    assert bench.read(IIR) == 0x02  # transmitter; reading IIR has cleared it
    assert bench.read(IIR) == 0x00  # modem
    bench.read(MSR)
    assert (bench.read(IIR), bench.int_line) == (0x01, 0)


def test_a_transmitter_request_survives_reads_of_a_higher_one() -> None:
    bench = uart()
    bench.write(IER, 0x03)
    type_keys(bench, b"a", bench.t + 10)
    bench.advance(bench.t + FRAME + 100)
    for _ in range(3):
        assert bench.read(IIR) == 0x04
    bench.read(DATA)
    assert bench.read(IIR) == 0x02
    assert bench.read(IIR) == 0x01


def test_enabling_the_transmitters_request_again_asks_again() -> None:
    bench = uart()
    bench.write(IER, 0x02)
    assert (bench.read(IIR), bench.read(IIR)) == (0x02, 0x01)
    bench.write(IER, 0x02)  # it was enabled
    assert bench.read(IIR) == 0x01
    bench.write(IER, 0x00)
    bench.write(IER, 0x02)
    assert bench.read(IIR) == 0x02
    bench.write(DATA, 0x41)  # a byte takes the request back
    assert bench.read(IIR) == 0x01
    bench.advance(bench.t + 2 * FRAME)
    assert bench.read(IIR) == 0x02


@pytest.mark.parametrize(("code", "level"), [(0x01, 1), (0x41, 4), (0x81, 8), (0xC1, 14)])
def test_trigger_levels(code: int, level: int) -> None:
    bench = uart()
    bench.write(IIR, code)
    bench.write(IER, 0x01)
    type_keys(bench, bytes(16), bench.t + 1)
    while bench.s.rx_count < level:
        assert bench.int_line == 0
        bench.advance(bench.t + 32)
    assert bench.int_line == 1 and bench.read(IIR) == 0xC4
    bench.read(DATA)
    assert bench.int_line == 0  # below the trigger again


def test_a_time_out_begins_anew_with_each_read() -> None:
    bench = uart()
    bench.write(IIR, 0x81)
    bench.write(IER, 0x01)
    type_keys(bench, b"abc", bench.t + 1)
    while bench.s.rx_count < 3:
        bench.advance(bench.t + 16)
    bench.advance(bench.t + 4 * FRAME - 32)
    assert bench.int_line == 0
    bench.advance(bench.t + 64)
    assert bench.int_line == 1 and bench.read(IIR) == 0xCC
    assert bench.read(DATA) == ord("a")
    assert bench.int_line == 0 and bench.read(IIR) == 0xC1
    bench.advance(bench.t + 4 * FRAME - 2)
    assert bench.int_line == 0
    bench.advance(bench.t + 8)
    assert bench.int_line == 1 and bench.read(IIR) == 0xCC
    bench.read(DATA)
    bench.read(DATA)
    bench.advance(bench.t + 10 * FRAME)
    assert bench.int_line == 0  # nothing is left to wait for


def test_fifo_control() -> None:
    bench = uart()
    bench.write(IIR, 0xC0)  # bit 0 is 0: the others are not taken
    assert bench.read(IIR) == 0x01
    bench.write(IIR, 0x01)
    assert bench.read(IIR) & 0xC0 == 0xC0
    type_keys(bench, b"abc", bench.t + 1)
    bench.advance(bench.t + 4 * FRAME)
    bench.write(IIR, 0x03)  # empty the receiver
    assert bench.read(LSR) & 1 == 0
    for byte in b"wxyz":
        bench.write(DATA, byte)
    bench.advance(bench.t + 10)
    bench.write(IIR, 0x05)  # empty the transmitter; what is under way ends well
    assert bench.read(LSR) & 0x60 == 0x20
    bench.advance(bench.t + 5 * FRAME)
    assert shown(bench) == b"w"
    type_keys(bench, b"d", bench.t + 1)
    bench.advance(bench.t + 2 * FRAME)
    bench.write(IIR, 0x00)  # off: emptied
    assert bench.read(LSR) & 1 == 0 and bench.read(IIR) & 0xC0 == 0


def test_more_than_one_byte_without_fifos_is_lost_and_counted() -> None:
    bench = uart()
    for byte in b"tide":
        bench.write(DATA, byte)
    bench.advance(bench.t + 10 * FRAME)
    assert shown(bench) == b"e"
    assert any("3 characters written with no room" in line and "FIFOs are off" in line
               for line in bench.words())


@pytest.mark.parametrize(("lcr", "form"), [(0x2B, "8M1"), (0x3B, "8S1"), (0x0B, "8O1"),
                                           (0x1B, "8E1"), (0x2A, "7M1")])
def test_parity_of_every_kind(lcr: int, form: str) -> None:
    bench = uart(terminal={"format": form})
    bench.write(LCR, lcr)
    for byte in b"AC\x00\x7f":
        bench.write(DATA, byte)
        bench.advance(bench.t + 2 * FRAME)
    assert shown(bench) == b"AC\x00\x7f"
    type_keys(bench, b"AC", bench.t + 1)
    bench.advance(bench.t + 4 * FRAME)
    assert bench.read(LSR) & 0x1E == 0x02  # overrun alone: no parity errors
    assert bench.s.line.term_parity_errors == 0 and bench.s.bad == 0
    bench.write(LCR, lcr ^ 0x10)  # the other parity
    type_keys(bench, b"A", bench.t + 1)
    bench.advance(bench.t + 2 * FRAME)
    assert bench.read(LSR) & 0x04


def test_the_loop_carries_as_many_bits_as_a_character_has() -> None:
    bench = uart()
    bench.write(MCR, 0x10)
    bench.write(LCR, 0x00)  # five bits
    bench.write(DATA, 0xF5)
    bench.advance(bench.t + FRAME)
    assert bench.read(DATA) == 0x15


def test_the_loops_modem_lines_and_their_changes() -> None:
    bench = uart()
    bench.write(MCR, 0x10)
    bench.read(MSR)
    for mcr, upper, deltas in ((0x11, 0x20, 0x02), (0x12, 0x10, 0x03), (0x14, 0x40, 0x01),
                               (0x18, 0x80, 0x0C), (0x1F, 0xF0, 0x03), (0x1B, 0xB0, 0x04)):
        bench.write(MCR, mcr)
        assert bench.read(MSR) == upper | deltas, hex(mcr)
        assert bench.read(MSR) == upper


def test_scratch_and_divisor_keep_through_reset_and_dlab_hides_ier() -> None:
    bench = uart(0x1234)
    bench.write(SCR, 0xA5)
    bench.write(IER, 0x05)
    bench.write(LCR, 0x83)
    assert (bench.read(DATA), bench.read(IER)) == (0x34, 0x12)
    bench.write(LCR, 0x03)
    assert bench.read(IER) == 0x05
    bench.reset()
    bench.write(LCR, 0x83)
    assert (bench.read(DATA), bench.read(IER), bench.read(SCR)) == (0x34, 0x12, 0xA5)
