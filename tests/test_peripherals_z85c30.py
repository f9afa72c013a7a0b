"""The SCC's asynchronous side: registers, generators, FIFO, status, interrupts, clocks.

From memory of the SCC user's manual, no copy at hand; what is marked "formula" can be worked out.
"""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from scc_bench import BYTE_TIME, USUAL, Scc

from emu.backplane.description import load
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.testing.card_contract import complaints
from peripherals import z80_ctc
from peripherals.card import BAUD, Ask, Way
from peripherals.z85c30 import CARD


@pytest.mark.parametrize("native", [False, True])
def test_characters_in_and_out(native: bool) -> None:
    scc = Scc(native)
    scc.type(b"tid")
    assert scc.get(0) & 0x05 == 0x05
    assert [scc.read("a-data") for _ in range(3)] == list(b"tid")
    assert scc.get(0) & 0x05 == 0x04
    for byte in b"ebb":
        while not scc.get(0) & 4:
            pass
        scc.write("a-data", byte, scc.t + 20)
    scc.advance(scc.t + 4 * BYTE_TIME)
    line = scc.s.line_a
    assert bytes(line.shown[:3]) == b"ebb"
    assert scc.get(1) == 0x07  # all sent, and the residue's bits


@pytest.mark.parametrize(("constant", "ratio", "baud"), [  # formula: PCLK / 2 / (TC + 2) / ratio
    (3, 0x44, 38400), (8, 0x44, 19200), (18, 0x44, 9600), (0, 0xC4, 24000), (638, 0x44, 300),
    (78, 0x04, 38400), (0x0102, 0x84, 6144000 / 64 / 260)])
def test_rates_of_the_generator(constant: int, ratio: int, baud: float) -> None:
    scc = Scc()
    scc.put(4, ratio)
    scc.put(12, constant & 0xFF)
    scc.put(13, constant >> 8)
    assert (scc.get(12), scc.get(13)) == (constant & 0xFF, constant >> 8)
    assert f"a: clock from the baud rate generator (PCLK / 2 / ({constant} + 2)); " in (
        scc.words()[0])
    assert f"{baud:.6g} baud" in scc.words()[0]


def test_a_clock_at_rtxc() -> None:
    scc = Scc(**{"rtxc-a": "614.4 kHz"})
    scc.put(11, 0x00)
    assert "clock from RTxC; 38400 baud 8N1" in scc.words()[0]
    scc.put(14, 1)  # the generator runs from RTxC
    scc.put(11, 0x50)
    scc.put(12, 0)
    assert "generator (RTxC / 2 / (0 + 2)); 9600 baud" in scc.words()[0]
    scc.put(14, 0)
    assert "which is off (WR14 bit 0)" in scc.words()[0]


def test_a_clock_by_wire() -> None:
    scc = Scc(also=[(z80_ctc.CARD, {})], wires=[(1, "zcto0", 0, "rtxc-a")])
    scc.put(11, 0x00)
    assert "where no clock comes" in scc.words()[0]
    for byte in (0x07, 10):  # timer, prescaler 16: 6.144 MHz / 16 / 10
        scc.write(0, byte, scc.t + 12, slot=1)
    scc.advance(scc.t + 400)
    assert "2400 baud" in scc.words()[0]


def test_reset_values() -> None:
    """From memory of the manual's reset table: RR0, RR1, RR3, RR10, RR15."""
    scc = Scc(setup=False)
    assert scc.get(0) & 0x47 == 0x44
    assert scc.get(1) == 0x07
    assert (scc.get(3), scc.get(10), scc.get(15)) == (0, 0, 0xF8)
    assert scc.get(2) == 0x00
    assert scc.words()[0] == "a: not set up (WR3 and WR5 are 00h)"


def test_resets_by_wr9() -> None:
    scc = Scc()
    for number, byte in USUAL:
        scc.put(number, byte, "b")
    scc.put(2, 0x40)
    scc.put(9, 0x80)  # channel A
    assert scc.s.channel[0].wr[5] == 0 and scc.s.channel[1].wr[5] == 0xEA
    scc.put(9, 0x40)  # channel B
    assert scc.s.channel[1].wr[5] == 0
    assert scc.get(12) == 3 and scc.get(2) == 0x40
    scc.put(9, 0xC0)
    assert scc.s.channel[0].wr[14] == 0x20 and not scc.s.wr9


def test_the_vector_low_and_high() -> None:
    """Codes from memory: B 0 transmit, 1 status, 2 receive, 3 special; A the same + 4."""
    for wr9, receive, send, none in ((0x09, 0x4C, 0x48, 0x46), (0x19, 0x30, 0x10, 0x60)):
        scc = Scc()
        scc.put(2, 0x40 if wr9 == 0x09 else 0x00)
        scc.put(9, wr9)
        assert scc.get(2, "b") == none  # nobody asks: special of B
        scc.put(1, 0x12)
        scc.type(b"x")
        assert scc.int_line
        assert scc.get(2, "b") == receive
        assert scc.get(2) == (0x40 if wr9 == 0x09 else 0)
        assert scc.ack() == receive
        scc.read("a-data")
        scc.write("a-control", 0x38, scc.t + 12)
        assert not scc.int_line
        scc.write("a-data", 0x55, scc.t + 12)
        scc.advance(scc.t + 200)  # into the shift register: the buffer is empty
        assert scc.get(3) == 0x10
        assert scc.ack() == send


def test_without_status_and_without_vector() -> None:
    scc = Scc()
    scc.put(2, 0x5A)
    scc.put(1, 0x10)
    scc.put(9, 0x08)
    scc.type(b"x")
    assert scc.get(2, "b") == 0x5C  # RR2 of channel B always has the status
    assert scc.ack() == 0x5A
    scc.write("a-control", 0x38)
    scc.put(9, 0x0A)
    assert scc.ack() == 0xFF  # nobody drives the bus: pull-ups


def test_reti_ends_nothing() -> None:
    scc = Scc(also=[(z80_ctc.CARD, {})])
    scc.put(1, 0x10)
    scc.put(9, 0x09)
    scc.type(b"xy")
    scc.ack()
    scc.read("a-data")
    scc.reti()
    assert scc.m.ius[0] == 1 and not scc.int_line
    assert scc.m.ieo[0] == 0
    (trouble,) = [t for t in CARD.troubles(scc.m, scc.s) if t.code == "scc-service-left"]
    assert "RETI ran 1 times" in trouble.evidence[0]
    scc.write("b-control", 0x38)  # either channel
    assert scc.m.ius[0] == 0 and scc.int_line


def test_the_master_enable() -> None:
    scc = Scc()
    scc.put(1, 0x10)
    scc.type(b"x")
    assert not scc.int_line
    assert scc.get(3) == 0x20  # inside it asks
    assert [t.code for t in CARD.troubles(scc.m, scc.s)] == ["scc-master-off"]
    scc.put(9, 0x08)
    assert scc.int_line


def test_first_character_and_special_only() -> None:
    scc = Scc()
    scc.put(9, 0x09)
    scc.put(1, 0x08)
    scc.type(b"xy")
    assert scc.int_line
    scc.read("a-data")
    assert not scc.int_line
    scc.write("a-control", 0x20)  # the next one: it waits already
    assert scc.int_line
    scc.read("a-data")
    scc.put(1, 0x18)
    scc.type(b"abcd")  # the fourth overruns the third
    assert not scc.int_line
    assert [scc.read("a-data") for _ in range(2)] == list(b"ab")
    assert scc.int_line and scc.get(1) & 0x20
    assert scc.get(2, "b") & 0x0E == 0x0E
    assert [scc.read("a-data") for _ in range(2)] == [ord("d")] * 2  # it stands still
    scc.write("a-control", 0x30)
    assert not scc.int_line and not scc.get(1) & 0x20


def test_wrong_parity_is_special_if_wr1_says_so() -> None:
    for wr1, code in ((0x10, 0x0C), (0x14, 0x0E)):
        scc = Scc(**{"terminal-a": {"baud": 38400, "format": "7O1"}})
        scc.put(4, 0x47)  # even
        scc.put(3, 0x41)
        scc.put(9, 0x09)
        scc.put(1, wr1)
        scc.type(b"x")
        assert scc.get(1) & 0x10
        assert scc.get(2, "b") & 0x0E == code


def test_status_is_latched_where_wr15_says_so() -> None:
    scc = Scc(**{"cts-a": "terminal", "dcd-a": "terminal"})
    scc.put(15, 0x20)  # CTS only
    scc.put(9, 0x09)
    scc.put(1, 0x01)
    scc.write("a-control", 0x10)
    assert scc.get(0) & 0x28 == 0x28
    scc.s.line_a.cts = 0
    scc.m.event_t[0] = scc.t
    scc.advance(scc.t + 10)
    assert scc.int_line and scc.get(0) & 0x28 == 0x08
    scc.s.line_a.cts = 1
    scc.s.line_a.dcd = 0
    scc.m.event_t[0] = scc.t
    scc.advance(scc.t + 10)
    assert scc.get(0) & 0x28 == 0x00  # CTS as it was latched, DCD as it is
    scc.write("a-control", 0x10)
    assert scc.get(0) & 0x28 == 0x20 and scc.int_line
    scc.write("a-control", 0x10)
    assert not scc.int_line


def test_rts_falls_at_once_without_auto_enables() -> None:
    for wr3, after in ((0xC1, 0), (0xE1, 1)):
        scc = Scc()
        scc.put(3, wr3)
        scc.write("a-data", 0x55, scc.t + 12)
        scc.advance(scc.t + 200)
        scc.put(5, 0xE8)
        assert scc.s.line_a.rts == after
        scc.advance(scc.t + 2 * BYTE_TIME)
        assert scc.s.line_a.rts == 0


def test_a_board_without_intack() -> None:
    scc = Scc(intack="none")
    scc.put(2, 0x40)
    scc.put(9, 0x09)
    scc.put(1, 0x10)
    scc.type(b"x")
    assert scc.ack() == 0xFF
    assert scc.m.ius[0] == 0 and scc.int_line
    scc.put(9, 0x29)  # reading RR2 acknowledges
    assert scc.get(2, "b") == 0x4C
    assert scc.m.ius[0] == 1
    scc.read("a-data")
    scc.write("a-control", 0x38)
    assert scc.m.ius[0] == 0


def test_recovery_is_counted() -> None:
    scc = Scc(clock="1.536 MHz")  # 16 T-states of the CPU for four of PCLK
    scc.read("a-control", scc.t + 12)
    assert any("less than 16 T-states" in words for words in scc.words())
    scc = Scc()
    assert not any("less than" in words for words in scc.words())


def test_no_clock_is_told() -> None:
    scc = Scc()
    scc.put(14, 0)
    scc.write("a-data", 0x55, scc.t + 12)
    scc.advance(scc.t + 5000)
    (trouble,) = CARD.troubles(scc.m, scc.s)
    assert trouble.code == "scc-no-clock"
    assert trouble.mend is not None
    trouble.mend(scc.m, scc.s)
    scc.advance(scc.t + 2 * BYTE_TIME)
    assert bytes(scc.s.line_a.shown[:1]) == b"U"
    assert scc.s.channel[0].wr[12] == 3


def test_rates_are_found() -> None:
    def none(name: str, hertz: Fraction) -> list[Way]:
        return []

    ask = Ask(BAUD, Fraction(38400), {"clock": "cpu"}, Fraction(6_144_000), none)
    (a, b) = CARD.rates(ask)
    assert (a.rate, a.part, b.part) == (38400, "a", "b")
    scc = Scc(setup=False)
    for write in a.writes:
        scc.write(write.register, write.byte, scc.t + 12)
    assert "38400 baud 8N1" in scc.words()[0]


MACHINE = """
[backplane]
chain = ["scc"]
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"
[slot.memory]
card = "plain-memory"
image = "p.bin"
[slot.scc]
card = "z85c30"
base = 0x38
"""


def machine(tmp_path: Path, more: str = "") -> Path:
    sets = " ".join(f"3E{n:02X} D339 3E{b:02X} D339" for n, b in USUAL)
    (tmp_path / "p.bin").write_bytes(bytes.fromhex(f"{sets} DB39 E604 28FA DB38 D338 18F4"))
    (tmp_path / "m.toml").write_text(MACHINE + more)
    return tmp_path / "m.toml"


def test_the_contract(tmp_path: Path) -> None:
    assert complaints(load(machine(tmp_path)), Fraction(1, 50)) == []


def test_pclk_is_needed(tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        Machine(load(machine(tmp_path, 'clock = "none"\n')))
    assert str(error.value) == ('slot.scc: clock: the chip does nothing without PCLK; give its '
                                'frequency, or "cpu".')
