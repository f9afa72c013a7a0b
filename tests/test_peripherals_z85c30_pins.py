"""The SCC's pins as lines: W/REQ, DTR/REQ, RTS, CTS, DCD, and SYNC as RI.

From memory of the SCC user's manual (WR1, WR5, WR11, WR14 and RR0), no copy at hand.
"""
from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from boards import CPU_AND_MEMORY
from scc_bench import BYTE_TIME, USUAL, Scc
from sio_machine import memory, otir

from emu.backplane.description import load
from emu.machine.machine import Machine
from emu.run.console import terminal
from emu.run.inputs import Input, checked, make
from emu.run.session import Session
from peripherals.parallel_latch import CARD as LATCH
from peripherals.z85c30 import CARD

CTS, SYNC, DCD = 0x20, 0x10, 0x08
WAIT_RECEIVE, WAIT_SEND, ASK_RECEIVE, ASK_SEND = 0xA0, 0x80, 0xE0, 0xC0


def wired(*outputs: str, **settings: Any) -> Scc:
    """Outputs of the chip at a latch's inputs, in their order."""
    return Scc(also=[(LATCH, {})], wires=[(0, name, 1, f"i{k}")
                                          for k, name in enumerate(outputs)], **settings)


def level(scc: Scc, name: str) -> int:
    return int(scc.m.line_level[0, CARD.outputs.index(name)])


def chosen(scc: Scc, register: str, write: bool = False) -> int:
    """Choose a register as an access does that has not ended; give W/REQ of channel A."""
    scc.call("select", scc.register(register) | write << 8, scc.t)
    return level(scc, "wreq-a")


# --- W/REQ --------------------------------------------------------------------------------
def test_wait_on_receive_holds_the_data_port_until_a_character_is_there() -> None:
    """WR1 bits 7-5 = 101."""
    scc = wired("wreq-a")
    scc.put(1, WAIT_RECEIVE)
    assert chosen(scc, "a-control") == 1 and chosen(scc, "b-data") == 1
    assert chosen(scc, "a-data") == 0
    scc.type(b"k")
    assert level(scc, "wreq-a") == 1
    assert scc.read("a-data") == ord("k") and chosen(scc, "a-data") == 0
    assert "a: W/REQ: WAIT, holds accesses to the data port until a character has come; low now, " \
           "2 held so far" in scc.words()


def test_wait_holds_rr8_by_the_pointer_too() -> None:
    scc = wired("wreq-a")
    scc.put(1, WAIT_RECEIVE)
    scc.write("a-control", 8, scc.t + 12)
    assert chosen(scc, "a-control") == 0


def test_wait_on_transmit_holds_while_the_buffer_is_full() -> None:
    """100."""
    scc = wired("wreq-a")
    scc.put(1, WAIT_SEND)
    assert chosen(scc, "a-data", write=True) == 1
    scc.write("a-data", 0x31)
    scc.advance(scc.t + 200)  # it moves on into the shift register
    scc.write("a-data", 0x32)
    assert chosen(scc, "a-data", write=True) == 0
    scc.advance(scc.t + BYTE_TIME + 200)
    assert level(scc, "wreq-a") == 1


def test_requests_follow_the_buffers_and_stop_at_a_special_character() -> None:
    """111: low while a character is there, and high while a special one locks the FIFO, until
    error reset.  110: low while the transmit buffer is empty."""
    scc = wired("wreq-a")
    scc.put(1, ASK_RECEIVE | 0x18)  # special characters only interrupt
    assert level(scc, "wreq-a") == 1
    scc.type(b"abcd")  # the fourth overruns the third
    assert level(scc, "wreq-a") == 0
    scc.read("a-data")
    assert level(scc, "wreq-a") == 0
    scc.read("a-data")
    assert level(scc, "wreq-a") == 1
    scc.read("a-data")
    scc.write("a-control", 0x30, scc.t + 12)
    scc.type(b"e")
    assert level(scc, "wreq-a") == 0
    scc.read("a-data")
    scc.put(1, ASK_SEND)
    assert level(scc, "wreq-a") == 0
    scc.write("a-data", 0x31)
    assert level(scc, "wreq-a") == 1
    scc.advance(scc.t + 200)
    assert level(scc, "wreq-a") == 0


@pytest.mark.parametrize("wr1", [0x00, 0x20, 0x40, 0x60])
def test_wreq_that_is_off_floats_or_is_high(wr1: int) -> None:
    scc = wired("wreq-a")
    scc.put(1, wr1)
    assert chosen(scc, "a-data") == 1


# --- DTR/REQ and RTS -----------------------------------------------------------------------
def test_dtr_and_rts_are_low_while_wr5_sets_them() -> None:
    scc = wired("dtr-a", "rts-a", "dtr-b", "rts-b")
    scc.put(5, 0x68, "b")
    for wr5, dtr, rts in ((0x68, 1, 1), (0xE8, 0, 1), (0x6A, 1, 0), (0xEA, 0, 0)):
        scc.put(5, wr5)
        assert (level(scc, "dtr-a"), level(scc, "rts-a")) == (dtr, rts)
        assert (level(scc, "dtr-b"), level(scc, "rts-b")) == (1, 1)


def test_dtr_is_the_transmitters_request_if_wr14_says_so() -> None:
    """WR14 bit 2: W/REQ is then free for the receiver."""
    scc = wired("dtr-a")
    scc.put(14, 0x07)
    assert level(scc, "dtr-a") == 0
    scc.write("a-data", 0x31)
    assert level(scc, "dtr-a") == 1
    scc.advance(scc.t + 200)
    assert level(scc, "dtr-a") == 0


# --- SYNC as RI, CTS and DCD by wire --------------------------------------------------------
def test_ri_shows_in_rr0_inverted_and_interrupts_as_cts_does() -> None:
    scc = Scc()
    scc.put(15, 0x10)
    scc.put(9, 0x09)
    scc.put(1, 0x01)
    scc.write("a-control", 0x10)
    assert scc.get(0) & SYNC == 0 and not scc.int_line
    for value, after in (("low", SYNC), ("high", SYNC)):  # the latch is closed
        CARD.live["ri-a"](scc.m, scc.s, value)
        scc.advance(scc.t + 5)
        assert scc.get(0) & SYNC == after and scc.int_line
    scc.write("a-control", 0x10)
    assert scc.get(0) & SYNC == 0
    scc.put(15, 0)
    CARD.live["ri-a"](scc.m, scc.s, "low")
    scc.advance(scc.t + 5)
    assert scc.get(0) & SYNC == SYNC  # no latch: as the pin is


def test_a_crystal_takes_the_sync_pin() -> None:
    """WR11 bit 7: the pin is half of the oscillator, and its bit reads 0."""
    scc = Scc(**{"ri-a": "low"})
    scc.put(15, 0)
    assert scc.get(0) & SYNC == SYNC
    scc.put(11, 0xD0)
    assert scc.get(0) & SYNC == 0


def test_wires_bring_cts_dcd_and_ri() -> None:
    scc = Scc(also=[(LATCH, {})], wires=[(1, f"q{k}", 0, name) for k, name in enumerate(
        ("cts-a", "dcd-a", "ri-a", "ri-b"))])
    scc.put(15, 0)
    scc.put(15, 0, "b")
    for out in (0x0, 0x1, 0x2, 0x4, 0x8, 0xF):
        scc.write("outputs", out, slot=1)
        scc.advance(scc.t + 5)
        assert scc.get(0) & (CTS | DCD | SYNC) == sum(
            bit for k, bit in enumerate((CTS, DCD, SYNC)) if not out >> k & 1)
        assert scc.get(0, "b") & SYNC == (0 if out & 8 else SYNC)


# --- a machine ------------------------------------------------------------------------------
FILE = CPU_AND_MEMORY + """
[slot.scc]
card = "z85c30"
base = 0x3C
terminal-a = { baud = 38400 }
[[wire]]
from = "scc.wreq-a"
to = "cpu.wait"
[backplane]
chain = ["scc"]
"""
SAID = b"ebb at 0412\r"


def machine(folder: Path, wr1: int, then: str) -> Machine:
    """A machine whose program sets channel A up, and moves bytes without a look at a status."""
    table = bytes(byte for pair in (*USUAL, (1, wr1)) for byte in pair)
    image = bytearray(0x200)
    code = bytes.fromhex("31 00 A0 " + otir(0x3D, 0x80, len(table)) + then)
    for at, data in ((0, code), (0x80, table), (0xC0, SAID)):
        image[at:at + len(data)] = data
    (folder / "p.bin").write_bytes(image)
    (folder / "m.toml").write_text(FILE)
    return Machine(load(folder / "m.toml"))


def test_wait_moves_characters_both_ways(tmp_path: Path) -> None:
    """INIR until four keys have come, then OTIR: the CPU is held in each cycle."""
    inir = "21 00 90 01 3C 04 ED B2 "
    to_send = f"3E 01 D3 3D 3E {WAIT_SEND:02X} D3 3D "
    m = machine(tmp_path, WAIT_RECEIVE, inir + to_send + otir(0x3C, 0xC0, len(SAID)) + "76")
    session = Session(m)
    session.run_to(m.at(0.002))
    assert int(m.m.wait_low) == 1
    make(m, checked(m, Input(int(m.m.t), "jumper", "scc.ri-a", "low")))
    session.type_in("scc.a", b"tide")
    session.run_to(m.at(0.02))
    line = terminal(m, "scc.a")
    assert memory(m, 0x9000, 4) == b"tide" and int(m.m.halted) == 1
    assert bytes(line.shown[:int(line.shown_in)]) == SAID
    assert int(m.slot("scc").state.channel[0].ri) == 1
