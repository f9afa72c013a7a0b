"""The I2C bus, its clock and its memory against published tables, named beside each check.

"I2C": UM10204 (from memory, no copy at hand); "D07": DS1307 data sheet, Maxim issue p.8; "M256":
Microchip DS20001203W p.1 and 12; "M02": DS21709J p.7; "derived": worked out from these.
"""
from __future__ import annotations

from fractions import Fraction

import pytest
from i2c_bus_driver import SCL, SDA, Master

from emu.bus.state import PERIODIC
from peripherals.card import OUTPUT, Ask
from peripherals.i2c_bus import CARD


def test_start_stop_and_acknowledge() -> None:
    """I2C: the ninth clock; nobody at another address; a NACK ends a read."""
    bus = Master()
    assert bus.put(0xD0) == [True]
    assert bus.put(0x90) == [False]
    bus.start()
    bus.send(0xD1)
    bus.take(last=True)
    assert bus.s.sda == 1  # let go behind the NACK
    bus.stop()
    assert (int(bus.s.starts), int(bus.s.stops)) == (3, 4)  # one STOP as the lines were let go


def test_the_clock_is_set_and_read_back_over_new_year() -> None:
    """D07 registers 00-06, derived: Friday 31 December 1999 23:59:58, two seconds later."""
    bus = Master()
    assert all(bus.put(0xD0, 0x00, 0x58, 0x59, 0x23, 0x06, 0x31, 0x12, 0x99))
    bus.wait(2.01)
    assert bus.get(0xD0, (0,), 7) == [0x00, 0x00, 0x00, 0x07, 0x01, 0x01, 0x00]


@pytest.mark.parametrize(("hour", "after"), [  # D07: bit 6 is 12 hours, bit 5 PM; derived
    (0x71, 0x52), (0x51, 0x72), (0x72, 0x61), (0x52, 0x41), (0x23, 0x00), (0x09, 0x10)])
def test_hours_of_both_kinds(hour: int, after: int) -> None:
    bus = Master()
    bus.put(0xD0, 0x00, 0x59, 0x59, hour)
    assert bus.get(0xD0, (2,), 1) == [hour]
    bus.wait(1.01)
    assert bus.get(0xD0, (2,), 1) == [after]


def test_ch_stops_the_clock_and_is_set_in_a_new_one() -> None:
    """D07: CH = 1 at the first power-on, 01/01/00 00:00:00; control 03h from memory."""
    bus = Master(battery="flat")
    assert bus.get(0xD0, (0,), 8) == [0x80, 0, 0, 1, 1, 1, 0, 0x03]
    bus.wait(2)
    assert bus.get(0xD0, (0,), 1) == [0x80]
    bus.put(0xD0, 0, 0x00)
    bus.wait(2.5)
    assert bus.get(0xD0, (0,), 1) == [0x02]


def test_the_time_is_copied_at_start() -> None:
    """D07 p.8: a burst is of one moment, though the second goes over in it."""
    bus = Master(start="2030-12-31 23:59:59")
    bus.start()
    assert bus.send(0xD0) and bus.send(0)
    bus.start()
    bus.send(0xD1)
    first = bus.take()
    bus.wait(2)
    assert [first, bus.take(), bus.take(last=True)] == [0x59, 0x59, 0x23]
    bus.stop()


def test_ram_and_the_pointer_go_round() -> None:
    """D07: 08h to 3Fh are RAM; behind 3Fh comes 00h."""
    bus = Master(start="2030-01-01 00:00:07")
    bus.put(0xD0, 0x3F, 0xA5)
    assert bus.get(0xD0, (0x3F,), 2) == [0xA5, 0x07]


def test_square_wave() -> None:
    """D07 p.4: RS 00 to 11 are 1, 4096, 8192 and 32768 Hz; SQWE = 0 shows OUT."""
    bus = Master()
    for code, hertz in enumerate((1, 4096, 8192, 32768)):
        bus.put(0xD0, 7, 0x10 | code)
        assert bus.m.line_kind[0, 2] == PERIODIC
        assert Fraction(int(bus.m.line_num[0, 2]), int(bus.m.line_den[0, 2])) == bus.hz / hertz
    bus.put(0xD0, 7, 0x80)
    assert bus.m.line_level[0, 2] == 1
    bus.put(0xD0, 7, 0x00)
    assert bus.m.line_level[0, 2] == 0
    ask = Ask(OUTPUT, Fraction(4096), bus.settings[0], bus.hz, lambda name, hertz: [], "sqw")
    assert [way.rate for way in CARD.rates(ask)] == [1, 4096, 8192, 32768]


def test_a_page_rolls_over_in_itself() -> None:
    """M02: pages of 8; M256: of 64; the bytes derived."""
    bus = Master(memory="24c02")
    bus.put(0xA0, 0x06, *range(10))
    bus.wait(0.006)
    assert bus.get(0xA0, (0,), 8) == [2, 3, 4, 5, 6, 7, 8, 9]
    bus = Master()
    bus.put(0xA0, 0x00, 0x3E, 0xAA, 0xBB, 0xCC)
    bus.wait(0.006)
    assert bus.get(0xA0, (0x00, 0x3E), 2) == [0xAA, 0xBB]
    assert bus.get(0xA0, (0x00, 0x00), 1) == [0xCC]


def test_acknowledge_polling() -> None:
    """M256 p.12: no acknowledge in the 5 ms behind the STOP, then one."""
    bus = Master()
    bus.put(0xA0, 0, 0, 0x11)
    t = bus.t
    tries = 0
    while not bus.put(0xA0)[0]:
        tries += 1
    assert tries > 5
    assert Fraction(49, 10_000) < (bus.t - t) / bus.hz < Fraction(56, 10_000)


def test_nothing_is_written_without_a_stop() -> None:
    """M256: the cycle begins at the STOP; a START in its place drops the bytes."""
    bus = Master()
    bus.start()
    for value in (0xA0, 0, 5, 0x77):
        assert bus.send(value)
    bus.start()
    assert bus.send(0xA1)
    bus.take(last=True)
    bus.stop()
    assert bus.get(0xA0, (0, 5), 1) == [0xFF]
    assert any("1 bytes for the memory were dropped" in words for words in bus.words())


def test_write_protection_acknowledges_and_writes_nothing() -> None:
    """From memory of the data sheets."""
    bus = Master(**{"write-protect": True})
    assert all(bus.put(0xA0, 0, 5, 0x77))
    assert bus.put(0xA0) == [True]  # no write cycle
    assert bus.get(0xA0, (0, 5), 1) == [0xFF]


def test_block_bits_of_a_small_memory() -> None:
    """M02 and its bigger brothers, from memory: 24C16 address 123h is A2h 23h."""
    bus = Master(memory="24c16")
    bus.put(0xA2, 0x23, 0x5A)
    bus.wait(0.006)
    assert bus.s.memory[0x123] == 0x5A
    assert bus.get(0xA2, (0x23,), 1) == [0x5A]
    bus.put(0xAE, 0xFF, 0x66)
    bus.wait(0.006)
    bus.put(0xA0, 0x00, 0x55)
    bus.wait(0.006)
    assert bus.get(0xAE, (0xFF,), 2) == [0x66, 0x55]  # a read goes over blocks and round


def test_pins_choose_the_address() -> None:
    """M256 table of control bytes: A2 to A0 are compared; 24C08 compares A2 only (from memory)."""
    bus = Master(pins=5)
    assert (bus.put(0xA0), bus.put(0xAA)) == ([False], [True])
    bus = Master(memory="24c08", pins=4)
    assert [bus.put(a)[0] for a in (0xA0, 0xA6, 0xA8, 0xAE)] == [False, False, True, True]


def test_a_device_in_the_middle_of_a_byte_holds_the_bus() -> None:
    """I2C: up to nine clocks with SDA high free it."""
    bus = Master(bytes(512))
    bus.start()
    for value in (0xA0, 0, 0):
        bus.send(value)
    bus.start()
    bus.send(0xA1)
    bus.bit(1)
    bus.reset()  # of the CPU: the latch is cleared, the devices know nothing of it
    bus.port(SCL)
    bus.port(SCL | SDA)
    assert bus.s.sda == 0
    clocks = 0
    while not bus.s.sda:
        bus.scl(0)
        bus.scl(1)
        clocks += 1
    assert clocks <= 9
    bus.start()
    bus.stop()
    assert bus.put(0xA0) == [True]


def test_stretching() -> None:
    """I2C: SCL stays low until the device lets it go; the host waits and then gives the bit."""
    bus = Master(sensor=0x48, stretch=200, **{"sensor-gives": "7m"})
    bus.start()
    assert bus.send(0x91)
    got = []
    for last in (False, True):
        byte = 0
        for _ in range(8):
            bus.scl(1)
            while not bus.read("port", bus.t + 12) & SCL:
                pass
            byte = byte << 1 | bus.seen()
            bus.scl(0)
        got.append(byte)
        bus.bit(int(last))
        bus.sda(1)
    bus.stop()
    assert bytes(got) == b"7m"
    assert not bus.s.lost_clocks
