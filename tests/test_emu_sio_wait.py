"""A Z80 SIO whose W/RDY is wired: WAIT holds the CPU at the data port, READY asks a Z80 DMA.

WR1 bits 7-5: UM0081, WR1 (from memory, 95 %).  No program here looks at a status.
"""
from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from sio_machine import memory, otir, shown, sio_machine

from emu.bus.state import IN
from emu.diagnosis import explain
from emu.logs.cycles import read_ring
from emu.machine.machine import Machine
from emu.run.session import Session

WAIT = '[[wire]]\nfrom = "sio.ready-a"\nto = "cpu.wait"\n'
DMA = ('[slot.dma]\ncard = "z80-dma"\nbase = 0x90\n'
       '[[wire]]\nfrom = "sio.ready-a"\nto = "dma.rdy"\n')
TABLE, TEXT, INTO = 0x80, 0xC0, 0x9000
ON_RECEIVE, ON_TRANSMIT, READY = 0xA0, 0x80, 0x40
SAID = b"ebb at 0412\r"


def machine(folder: Path, more: str, wr1: int, then: str, control: bytes = b"",
            **change: str) -> Machine:
    """A machine whose program sets channel A up and goes on with ``then`` (hex)."""
    setup = bytes([0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, wr1])
    return sio_machine(folder, more, otir(0x21, TABLE, len(setup)) + then,
                       {TABLE: setup, TEXT: SAID, 0x100: control}, change)


def inir(count: int) -> str:
    return f"21 00 90 01 20 {count:02X} ED B2 76"


def test_inir_reads_characters_as_they_come(tmp_path: Path) -> None:
    m = machine(tmp_path, WAIT, ON_RECEIVE, inir(4))
    session = Session(m)
    session.run_to(m.at(0.002))
    session.type_in("sio.a", b"tide")
    session.run_to(m.at(0.02))
    assert memory(m, INTO, 4) == b"tide" and int(m.m.halted) == 1


def test_an_access_ends_in_the_t_state_behind_the_one_that_makes_it_ready(tmp_path: Path) -> None:
    """/WAIT is high when sampled with the falling edge of a Tw; T3 follows (UM0080 p.10)."""
    m = machine(tmp_path, WAIT, ON_RECEIVE, "DB 20 32 00 90 76")
    session = Session(m)
    session.run_to(m.at(0.002))
    assert int(m.m.wait_low) == 1
    session.type_in("sio.a", b"t")
    again = m.snapshot()
    while int(m.m.wait_low):
        m.run(int(m.m.t) + 1)
    rises = int(m.m.t)
    m.restore(again)
    m.log(True)
    m.run(rises + 60)
    rows = read_ring(m.m, 0, int(m.m.log_pos))
    entered = rows[np.nonzero(rows["kind"] == IN)[0][0]]
    behind = rows[np.nonzero(rows["t"] > entered["t"])[0][0]]
    assert int(behind["t"]) == rises + 2  # T3 is the one behind `rises`
    assert int(entered["data"]) == ord("t") and int(entered["waits"]) == 255  # all that is logged


def test_otir_sends_without_a_look_at_the_status(tmp_path: Path) -> None:
    then = otir(0x20, TEXT, len(SAID)) + "76"
    m = machine(tmp_path, WAIT, ON_TRANSMIT, then)
    m.run(m.at(0.02))
    assert shown(m) == SAID
    unwired = machine(tmp_path, "", ON_TRANSMIT, then)
    unwired.run(unwired.at(0.02))
    assert shown(unwired) != SAID


def test_a_run_in_slices_and_one_with_the_log_are_the_same(tmp_path: Path) -> None:
    ends = []
    for how in range(3):
        m = machine(tmp_path, WAIT, ON_TRANSMIT, otir(0x20, TEXT, len(SAID)) + "76")
        m.log(how == 1)
        while int(m.m.t) < 20_000:
            m.run(20_000 if how < 2 else int(m.m.t) + 97)
        ends.append((int(m.m.t), shown(m), m.slot("sio").state.tobytes()))
    assert ends[0] == ends[1] and ends[0][1:] == ends[2][1:]


# --- what is said of a CPU that is held -----------------------------------------------------
def test_held_for_want_of_a_key_it_waits_for_input(tmp_path: Path) -> None:
    session = Session(machine(tmp_path, WAIT, ON_RECEIVE, inir(200)))
    session.run_to(session.machine.at(0.5))
    verdict = explain(session)
    assert verdict.verdict == "waiting-for-input", verdict.lines()


def test_held_by_a_transmitter_without_a_clock_it_hangs(tmp_path: Path) -> None:
    session = Session(machine(tmp_path, WAIT, ON_TRANSMIT, otir(0x20, TEXT, len(SAID)) + "76",
                              **{'"614.4 kHz"': '"none"'}))
    session.run_to(session.machine.at(0.5))
    verdict = explain(session)
    words = "\n".join(verdict.lines())
    assert verdict.verdict == "hung" and verdict.cause == "wait-held"
    assert "sio.ready-a holds WAIT low" in words and "the cycle out of port 20h" in words


# --- READY and the DMA -----------------------------------------------------------------------
def dma(first: int, wr0: tuple[int, ...]) -> bytes:
    """Byte mode; A: memory, counting up; B: port 20h, fixed; RDY active low (WR5 bit 3 = 0)."""
    length = len(SAID) - 1
    return bytes([0x79, first & 255, first >> 8, length, 0, 0x14, 0x28, 0x8D, 0x20, 0, 0x82, 0xCF,
                  *wr0, 0x87])


def test_the_dma_takes_characters_by_ready(tmp_path: Path) -> None:
    """Low while a character is there; the CPU does something else, and never touches the port."""
    control = dma(INTO, ())
    m = machine(tmp_path, DMA, ON_RECEIVE | READY, otir(0x90, 0x100, len(control)) + "18 FE",
                control)
    session = Session(m)
    session.run_to(m.at(0.002))
    session.type_in("sio.a", SAID)
    session.run_to(m.at(0.03))
    assert memory(m, INTO, len(SAID)) == SAID
    assert int(m.slot("sio").state.channel[0].overruns) == 0


def test_the_dma_brings_characters_by_ready(tmp_path: Path) -> None:
    """Low while the transmit buffer is empty.  A fixed destination is loaded as a source first."""
    control = dma(TEXT, (0x05, 0xCF))
    m = machine(tmp_path, DMA, ON_TRANSMIT | READY, otir(0x90, 0x100, len(control)) + "18 FE",
                control)
    m.run(m.at(0.03))
    assert shown(m) == SAID


@pytest.mark.parametrize(("wr5", "held"), [(0x6A, 0), (0xEA, 1)])
def test_two_open_drains_meet_at_wait(tmp_path: Path, wr5: int, held: int) -> None:
    """DTR of channel B beside the pin of A: low while WR5 bit 7 is set, and so for ever."""
    more = WAIT + '[[wire]]\nfrom = "sio.dtr-b"\nto = "cpu.wait"\n'
    m = machine(tmp_path, more, 0, f"3E 05 D3 23 3E {wr5:02X} D3 23 3E 5A 32 00 90 76")
    m.run(20_000)
    assert (int(m.m.wait_state), memory(m, INTO, 1) == b"\x5a") == (held, not held)
