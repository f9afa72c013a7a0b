"""Modem pins and outputs of the serial chips as lines, wired to one another and to the CPU."""
from __future__ import annotations

from typing import Any

import pytest
from card_bench import Bench

from emu.backplane.description import load
from emu.bus.state import A
from emu.machine.machine import Machine
from emu.run.inputs import Input, checked, make
from peripherals import acia_6850, parallel_latch, uart_16550, z80_sio

SET_UP = (4, 0x44, 3, 0xC1, 5, 0xEA)
LATCH = (parallel_latch.CARD, {})


def put(bench: Bench, channel: str, *control: int) -> None:
    for byte in control:
        bench.write(f"{channel}-control", byte, bench.t + 11)


def drive(bench: Bench, value: int) -> None:
    """Set the latch's outputs, and look a T-state later."""
    bench.write("outputs", value, bench.t + 10, slot=1)
    bench.advance(bench.t + 2)


def test_a_latch_drives_the_sios_modem_inputs() -> None:
    """UM0081 p.316: pin low = bit 1; the latch closes at each change, whatever it comes from."""
    bench = Bench(z80_sio.CARD, also=[LATCH], hz="6.144 MHz",
                  wires=[(1, "q0", 0, "cts-a"), (1, "q1", 0, "dcd-a"), (1, "q2", 0, "cts-b")])
    put(bench, "a", 0x18, *SET_UP, 0x10)
    for value, cts, dcd in ((0xFF, 0, 0), (0xFE, 1, 0), (0xFC, 1, 1), (0xFD, 0, 1)):
        drive(bench, value)
        put(bench, "a", 0x10)
        status = bench.read("a-control")
        assert ((status >> 5) & 1, (status >> 3) & 1) == (cts, dcd)
    assert bench.s.channel[1].cts == 0 and bench.s.channel[1].dcd == 1


def test_the_sios_outputs_are_lines() -> None:
    """UM0081, WR5: bits RTS and DTR drive their pins low; after RESET they are high."""
    bench = Bench(z80_sio.CARD, also=[LATCH], hz="6.144 MHz",
                  wires=[(0, "rts-a", 1, "i0"), (0, "dtr-b", 1, "i1")])
    seen = [bench.read("inputs", slot=1) & 3]
    put(bench, "a", 0x18, *SET_UP)
    seen.append(bench.read("inputs", slot=1) & 3)
    put(bench, "b", 0x18, *SET_UP)
    seen.append(bench.read("inputs", slot=1) & 3)
    put(bench, "a", 5, 0x68)  # RTS off
    seen.append(bench.read("inputs", slot=1) & 3)
    assert seen == [3, 2, 0, 1]


@pytest.mark.parametrize(("wr1", "empty", "full"), [
    (0xE0, 1, 0),  # READY, receive: low when a character is there
    (0xC0, 0, 0),  # READY, transmit: low while the transmit buffer is empty
    (0x40, 1, 1), (0x00, 1, 1), (0xA0, 1, 1)])  # not on; off: high or floating; WAIT floats
def test_ready_of_the_sio(wr1: int, empty: int, full: int) -> None:
    """UM0081, WR1 (memory, 95 %; shared/facts/sio_more.md (c))."""
    bench = Bench(z80_sio.CARD, also=[LATCH], hz="6.144 MHz", wires=[(0, "ready-a", 1, "i0")])
    put(bench, "a", 0x18, *SET_UP, 1, wr1)
    assert int(bench.m.line_level[0, 2]) == empty
    line = bench.s.line_a
    line.typed[0], line.typed_t[0], line.typed_in = 0x41, bench.t + 50, 1
    bench.m.event_t[0] = bench.t + 50
    bench.advance(bench.t + 2000)
    assert int(bench.m.line_level[0, 2]) == full
    bench.read("a-data")
    assert int(bench.m.line_level[0, 2]) == empty


def test_ready_of_the_transmitter_rises_with_a_full_buffer() -> None:
    """The same table: high while the buffer is full, until the shifter takes it."""
    bench = Bench(z80_sio.CARD, also=[LATCH], hz="6.144 MHz", wires=[(0, "ready-a", 1, "i0")])
    put(bench, "a", 0x18, *SET_UP, 1, 0xC0)
    bench.write("a-data", 0x41)
    bench.advance(bench.t + 100)
    bench.write("a-data", 0x42)
    assert int(bench.m.line_level[0, 2]) == 1
    bench.advance(bench.t + 700)
    assert int(bench.m.line_level[0, 2]) == 0


def test_the_acias_pins_are_lines() -> None:
    """MC6850 (memory): RTS low by CR6-CR5 other than 10; CTS high holds TDRE at 0."""
    bench = Bench(acia_6850.CARD, also=[LATCH], hz="6.144 MHz",
                  wires=[(0, "rts", 1, "i0"), (1, "q0", 0, "cts"), (1, "q1", 0, "dcd")])
    drive(bench, 0xFC)
    for control, level in ((0x03, 1), (0x15, 0), (0x55, 1), (0x15, 0)):
        bench.write("control", control, bench.t + 11)
        assert int(bench.m.line_level[0, 0]) == level
    assert bench.read("control") == 2
    drive(bench, 0xFD)
    assert bench.read("control") == 8
    drive(bench, 0xFE)
    assert bench.read("control") & 6 == 6


def test_the_uarts_pins_are_lines() -> None:
    """PC16550D (memory): MCR bits 0 to 3 drive DTR, RTS, OUT1, OUT2 low; high in the loop."""
    bench = Bench(uart_16550.CARD, also=[LATCH], hz="6.144 MHz",
                  wires=[*((0, name, 1, f"i{k}") for k, name in enumerate(
                      ("rts", "dtr", "out1", "out2"))),
                         *((1, f"q{k}", 0, name) for k, name in enumerate(
                             ("cts", "dsr", "dcd", "ri")))])
    for mcr, pins in ((0, 0xF), (1, 0xD), (2, 0xE), (4, 0xB), (8, 0x7), (0x1F, 0xF)):
        bench.write("modem-control", mcr)
        assert bench.read("inputs", slot=1) & 0xF == pins
    bench.write("modem-control", 0)
    for out, msr in ((0xFF, 0x00), (0xFE, 0x10), (0xFD, 0x20), (0xFB, 0x80), (0xF7, 0x40)):
        drive(bench, out)
        assert bench.read("modem-status") & 0xF0 == msr
    drive(bench, 0xFF)  # RI rises: its change shows only then
    assert bench.read("modem-status") == 0x04


def test_live_jumpers_move_modem_inputs(tmp_path: Any) -> None:
    (tmp_path / "i.bin").write_bytes(b"\x18\xfe")
    cards = {"sio": "z80-sio", "acia": "acia-6850", "uart": "uart-16550"}
    (tmp_path / "m.toml").write_text(
        '[slot.cpu]\ncard = "z80-cpu"\n[slot.memory]\ncard = "plain-memory"\nimage = "i.bin"\n'
        + "".join(f'[slot.{n}]\ncard = "{c}"\nbase = {32 * (k + 1)}\n'
                  for k, (n, c) in enumerate(cards.items())))
    machine = Machine(load(tmp_path / "m.toml"))
    machine.run(1000)
    for where in ("sio.cts-b", "acia.dcd", "uart.ri", "uart.dsr"):
        for value in ("high", "low"):
            make(machine, checked(machine, Input(int(machine.m.t), "jumper", where, value)))
            machine.run(int(machine.m.t) + 100)
            name = where.partition(".")[2].partition("-")[0]
            state = machine.slot(where.partition(".")[0]).state
            if name in ("cts", "dcd"):
                part = state.channel[1] if where.startswith("sio") else state
                assert int(part[name]) == (value == "low"), where
            else:
                mask = {"ri": 0x40, "dsr": 0x20}[name]
                assert bool(int(state.modem) & mask) == (value == "low"), where


# --- to the CPU and to memory -----------------------------------------------------------------
# Common practice, no source: a latch bit at /RESET, at /NMI, at the ROM's chip select.
WIRED = """
[slot.cpu]
card = "z80-cpu"
[slot.memory]
card = "plain-memory"
image = "i.bin"
ram-start = 0
ram-size = 0x10000
write-under = true
[slot.latch]
card = "parallel-latch"
base = 0x10
reset = true
[[wire]]
from = "latch.q0"
to = "cpu.reset"
[[wire]]
from = "latch.q1"
to = "cpu.nmi"
[[wire]]
from = "latch.q2"
to = "memory.rom-off"
"""


def wired(folder: Any, program: str) -> Machine:
    (folder / "i.bin").write_bytes(bytes.fromhex(program).ljust(0x66, b"\0") + b"\xed\x45")
    (folder / "m.toml").write_text(WIRED)
    machine = Machine(load(folder / "m.toml"))
    machine.m.phys[int(machine.slot("memory").state.ram_base) + 0x8000] = 0
    return machine


def test_a_latch_bit_makes_an_nmi(tmp_path: Any) -> None:
    # ld sp,9000h / a = 03h, out / a = 01h, out: q1 falls once / jr $
    machine = wired(tmp_path, "310090 3e03d310 3e01d310 18fe")
    machine.run(1000)
    assert int(machine.m.nmi_count) == 1


def test_a_latch_bit_resets_the_machine(tmp_path: Any) -> None:
    # hl = 8000h, inc (hl), a = (hl), cp 2, jr z / a = 01h, out / a = 00h, out: q0 falls / wait
    machine = wired(tmp_path, "210080 34 7e fe02 280a 3e01d310 3e00d310 18fe 76")
    machine.run(2000)
    assert int(machine.m.halted) == 1
    assert int(machine.m.phys[int(machine.slot("memory").state.ram_base) + 0x8000]) == 2


def test_a_latch_bit_switches_the_rom_off(tmp_path: Any) -> None:
    # ldir of 0000h-003Fh onto itself, to the RAM under it / a = 04h, out: q2 high / (0) = 5Ah,
    # a = (0) / halt
    machine = wired(tmp_path, "210000 110000 014000 edb0 3e04d310 3e5a 320000 af 3a0000 76")
    machine.run(4000)
    assert int(machine.m.halted) == 1 and int(machine.m.r[A]) == 0x5A
    assert "switched off" in machine.slot("memory").card.describe(
        machine.m, machine.slot("memory").state)[0]
