"""The 16550-type UART.  Its checks are from memory of the PC16550D data sheet, unless named."""
from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from boards import CPU_AND_MEMORY
from card_bench import Bench, shown, type_keys

from emu.backplane.description import load
from emu.machine.machine import Machine
from emu.run.session import Session
from emu.testing.card_contract import complaints
from peripherals.uart_16550 import CARD

FRAME = 640  # 8N1 at 96000 on 6.144 MHz
REGISTERS = CARD.registers
DATA, IER, IIR, LCR, MCR, LSR, MSR, SCR = REGISTERS


def uart(divisor: int = 1, native: bool = False, **given: Any) -> Bench:
    bench = Bench(CARD, given, native=native)
    for register, byte in ((LCR, 0x83), (DATA, divisor & 0xFF), (IER, divisor >> 8), (LCR, 0x03),
                           (IIR, 0x00)):
        bench.write(register, byte, bench.t + 11)
    return bench


def test_registers_after_reset() -> None:
    bench = Bench(CARD)
    assert [bench.read(r) for r in (IER, IIR, LCR, MCR, LSR)] == [0, 1, 0, 0, 0x60]
    bench.write(SCR, 0x5A)
    assert bench.read(SCR) == 0x5A


def test_the_divisor_stands_behind_dlab() -> None:
    bench = uart(0x0180)
    bench.write(LCR, 0x83)
    assert (bench.read(DATA), bench.read(IER)) == (0x80, 0x01)
    assert bench.words()[-1].startswith("DLAB is set")


@pytest.mark.parametrize("native", [False, True])
def test_sending_one_by_one(native: bool) -> None:
    bench = uart(native=native)
    for byte in b"ebb":
        while not bench.read(LSR, bench.t + 30) & 0x20:
            pass
        bench.write(DATA, byte)
    bench.advance(bench.t + 3 * FRAME)
    assert shown(bench) == b"ebb"
    assert bench.read(LSR) == 0x60


def test_thre_comes_before_temt() -> None:
    bench = uart()
    bench.write(DATA, 0x41)
    assert bench.read(LSR) & 0x60 == 0
    bench.advance(bench.t + 64)
    assert bench.read(LSR) & 0x60 == 0x20
    bench.advance(bench.t + FRAME + 64)
    assert bench.read(LSR) & 0x60 == 0x60


def test_sixteen_at_once_with_the_fifos() -> None:
    bench = uart()
    bench.write(IIR, 0x01)
    text = b"sixteen letters!"
    for byte in text:
        bench.write(DATA, byte, bench.t + 11)
    bench.advance(bench.t + 17 * FRAME)
    assert shown(bench) == text
    assert bench.read(IIR) == 0xC1


def test_the_transmitters_request() -> None:
    bench = uart()
    bench.write(IER, 0x02)
    assert bench.int_line == 1
    assert bench.read(IIR) == 0x02
    assert bench.int_line == 0  # reading it took it back
    bench.write(DATA, 0x41)
    bench.advance(bench.t + 64)
    assert bench.int_line == 1
    bench.write(DATA, 0x42)
    assert bench.int_line == 0


def test_receiving_and_overrun_without_fifos() -> None:
    bench = uart()
    bench.write(IER, 0x05)
    type_keys(bench, b"abc", 1000)
    bench.advance(1000 + FRAME)
    assert bench.int_line == 1 and bench.read(IIR) == 0x04
    assert bench.read(DATA) == ord("a") and bench.int_line == 0
    bench.advance(1000 + 3 * FRAME + 10)
    assert bench.read(IIR) == 0x06  # the line status comes first
    assert bench.read(LSR) & 0x03 == 0x03
    assert bench.read(LSR) & 0x03 == 0x01
    assert bench.read(DATA) == ord("c")  # the new one took the old one's place


def test_trigger_levels_and_the_time_out() -> None:
    bench = uart()
    bench.write(IIR, 0x81)  # eight
    bench.write(IER, 0x01)
    type_keys(bench, b"1234567", 1000)
    bench.advance(1000 + 7 * FRAME)
    assert bench.int_line == 0
    start = 1000 + 7 * FRAME  # four characters of silence after the seventh
    bench.advance(start + 3 * FRAME)
    assert bench.int_line == 0
    bench.advance(start + 4 * FRAME + 10)
    assert bench.int_line == 1 and bench.read(IIR) == 0xCC
    bench.read(DATA)
    assert bench.int_line == 0
    type_keys(bench, b"89", bench.t)
    bench.advance(bench.t + 3 * FRAME)
    assert bench.read(IIR) == 0xC4


def test_a_full_fifo_loses_what_comes() -> None:
    bench = uart()
    bench.write(IIR, 0x01)
    type_keys(bench, bytes(range(0x41, 0x41 + 18)), 1000)
    bench.advance(1000 + 19 * FRAME)
    assert bench.read(LSR) & 0x02
    assert bytes(bench.read(DATA) for _ in range(16)) == bytes(range(0x41, 0x51))
    assert bench.read(LSR) & 0x01 == 0
    assert "2 lost by overrun" in bench.words()[1]


def test_errors_travel_with_their_character() -> None:
    bench = uart(terminal={"format": "7E1"})
    bench.write(IIR, 0x01)
    bench.write(LCR, 0x1A)  # 7E1
    type_keys(bench, b"A", 1000)
    bench.advance(2000)
    assert bench.read(LSR) == 0x61
    bench.write(LCR, 0x0A)  # 7O1
    type_keys(bench, b"B", 2000)
    bench.advance(3000)
    bench.read(DATA)
    assert bench.read(LSR) == 0xE5
    assert bench.read(LSR) == 0x61


def test_the_local_loop() -> None:
    bench = uart()
    bench.write(MCR, 0x1B)
    assert bench.read(MSR) & 0xF0 == 0xB0  # DTR as DSR, RTS as CTS, OUT2 as DCD
    bench.write(DATA, 0x77)
    bench.advance(bench.t + FRAME - 1)
    assert bench.read(LSR) & 1 == 0
    bench.advance(bench.t + 5)
    assert bench.read(LSR) & 1 == 1 and bench.read(DATA) == 0x77
    assert shown(bench) == b""


def test_modem_changes_ask() -> None:
    bench = uart()
    bench.read(MSR)
    bench.write(IER, 0x08)
    assert bench.int_line == 0
    bench.s.line.cts = 0
    bench.m.event_t[0] = bench.t
    bench.advance(bench.t + 1)
    assert bench.int_line == 1 and bench.read(IIR) == 0x00
    assert bench.read(MSR) & 0x1F == 0x01
    assert bench.int_line == 0


def test_out2_may_gate_the_interrupt() -> None:
    bench = uart(gate="out2")
    bench.write(IER, 0x02)
    assert bench.int_line == 0
    assert "OUT2 is 0: the interrupt pin is cut off" in bench.words()
    bench.write(MCR, 0x08)
    assert bench.int_line == 1


def test_a_divisor_of_0_stands_still() -> None:
    bench = uart(0)
    bench.write(DATA, 0x41)
    bench.advance(bench.t + 100 * FRAME)
    assert shown(bench) == b"" and "divisor 0: nothing is sent or received" in bench.words()[0]


@pytest.mark.parametrize(("divisor", "baud"), [(1, 115200), (3, 38400), (12, 9600), (96, 1200)])
def test_rates_of_the_usual_crystal(divisor: int, baud: int) -> None:
    bench = uart(divisor, clock="1.8432 MHz", terminal={"baud": baud})
    assert f"{baud} baud 8N1, the terminal {baud} baud" in bench.words()[0]
    bench.write(DATA, 0x42)
    bench.advance(bench.t + 12 * int(bench.hz) // baud)
    assert shown(bench) == b"B"


MACHINE = CPU_AND_MEMORY + """[slot.uart]
card = "uart-16550"
base = 0xC8
terminal = { baud = 9600 }
"""
# 9600 8N1, FIFOs on; then each character that comes goes back
ECHO = ("3E83 D3CB 3E0C D3C8 AF D3C9 3E03 D3CB 3E01 D3CA DBCD E601 28FA DBC8 47 DBCD E620 28FA 78 "
        "D3C8 18EC")


def test_a_program_echoes_and_keeps_the_contract(tmp_path: Path) -> None:
    (tmp_path / "p.bin").write_bytes(bytes.fromhex(ECHO))
    (tmp_path / "m.toml").write_text(MACHINE)
    machine = Machine(load(tmp_path / "m.toml"))
    session = Session(machine, "low water", Fraction(1, 2))
    session.run_to(5000)  # a line that is busy while the chip is set up is read out of step
    session.type_in("uart", b"low water")
    session.run()
    assert session.reached
    assert complaints(machine.description, Fraction(1, 20), b"spring tide") == []
