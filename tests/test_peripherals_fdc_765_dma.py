"""The floppy controller in DMA mode: DRQ and DACK by hand, unserved, and with the Z80 DMA card.

Facts: shared/facts/fdc_765_more.md (c); the handshake is named in the NEC sheet, the rest of it
from memory (90 to 95 %) but for the times that "82077" or "8272" stands beside.
"""
from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from fdc_bench import CB, DIO, IMAGE, RQM, Fdc

from emu.backplane.description import load
from emu.machine.machine import Machine
from emu.run.inputs import Input, make
from peripherals.parallel_latch import CARD as LATCH

DISK = {"drive-a": IMAGE}
DRQ = 1  # number of the output


def asked(fdc: Fdc) -> bool:
    return int(fdc.bench.m.line_level[0, DRQ]) == 1


def ready(wires: Any = (), also: Any = (), **settings: Any) -> Fdc:
    """A controller at cylinder 0, set up for DMA (third byte of SPECIFY: ND = 0)."""
    fdc = Fdc({"dma": True, **settings}, images=DISK, wires=wires, also=also)
    fdc.start(specify=(0xD1, 0x02))
    fdc.recalibrate()
    return fdc


def until_asked(fdc: Fdc) -> bool:
    """Go on to the next DRQ; False when the results come first."""
    while not asked(fdc):
        if fdc.status() & (RQM | DIO | CB) == RQM | DIO | CB:
            return False
        fdc.bench.advance(int(fdc.bench.m.event_t[0]))
    return True


def test_a_sector_is_read_by_drq_and_dack() -> None:
    fdc = ready()
    fdc.command(0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
    data = bytearray()
    while len(data) < 512:
        assert until_asked(fdc)
        assert fdc.status() == CB  # neither RQM nor NDM in execution
        fdc.bench.advance(fdc.t + fdc.us(5))
        data.append(fdc.bench.read("dack"))
        assert not asked(fdc)
    fdc.bench.write("tc", 0)
    assert fdc.results() == bytes([0, 0, 0, 1, 0, 1, 2])  # EOT: the next cylinder [8272]
    assert bytes(data) == IMAGE[:512]


def test_a_sector_is_written_by_drq_and_dack() -> None:
    fdc = ready()
    wanted = bytes(range(255, -1, -1)) * 2
    fdc.command(0x45, 0, 0, 0, 3, 2, 3, 0x1B, 0xFF)
    for byte in wanted:
        assert until_asked(fdc)
        fdc.bench.write("dack", byte)
    fdc.bench.write("tc", 0)
    assert fdc.results()[:3] == bytes(3)
    fdc.command(0x03, 0xD1, 0x03)
    assert fdc.read(0, 0, 3)[0] == wanted


def test_bytes_that_nobody_moves_overrun() -> None:
    """13 us a byte at 500 kbit/s (8272: service limit): ST0 = 40h, ST1 = 10h, DRQ low again."""
    fdc = ready()
    fdc.command(0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
    assert until_asked(fdc)
    assert fdc.results()[:2] == bytes([0x40, 0x10])
    assert not asked(fdc)


def test_the_output_register_gates_drq() -> None:
    """DOR bit 3 = 0: DRQ and INT float (SMSC and 82077 DOR)."""
    fdc = ready()
    fdc.command(0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
    assert until_asked(fdc)
    fdc.output(0x14)
    assert not asked(fdc)


@pytest.mark.parametrize("register", ["dack", "data"])
def test_an_access_that_drq_does_not_ask_for_moves_nothing(register: str) -> None:
    fdc = ready()
    before = int(fdc.s.early)
    fdc.bench.read(register)
    fdc.bench.write(register if register == "dack" else "dack", 0x55)
    assert int(fdc.s.early) > before and fdc.s.phase == 0


@pytest.mark.parametrize(("gate", "counts"), [("dack", False), ("open", True)])
def test_a_wire_at_tc_counts_only_while_dack_is_low(gate: str, counts: bool) -> None:
    """765A, 8272A (from memory, 80 %): a rise between two bytes is no terminal count."""
    fdc = ready([(1, "q0", 0, "tc")], [(LATCH, {})],
                **{"terminal-count": "wire", "tc-gate": gate})
    fdc.command(0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
    for _ in range(100):
        assert until_asked(fdc)
        fdc.bench.read("dack")
    fdc.bench.write("outputs", 1, fdc.t + 5, slot=1)
    fdc.bench.write("outputs", 0, fdc.t + 20, slot=1)
    assert until_asked(fdc) is not counts
    assert int(fdc.s.tc_missed) == (0 if counts else 1)


def test_tc_counts_with_the_byte_that_is_moved_while_it_is_high() -> None:
    fdc = ready([(1, "q0", 0, "tc")], [(LATCH, {})], **{"terminal-count": "wire"})
    fdc.command(0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
    for k in range(512):
        assert until_asked(fdc)
        if k == 511:
            fdc.bench.write("outputs", 1, slot=1)
        fdc.bench.read("dack")
    assert fdc.results()[:3] == bytes(3)


# --- with the Z80 DMA -----------------------------------------------------------------------
MACHINE = """
[slot.cpu]
card = "z80-cpu"
clock = "4 MHz"
[slot.memory]
card = "plain-memory"
image = "i.bin"
[slot.dma]
card = "z80-dma"
base = 0x30
[slot.floppy]
card = "fdc-765"
base = 0x40
dma = true
drive-a = { geometry = "1.44M", medium = "disk.img" }
[[wire]]
from = "floppy.drq"
to = "dma.rdy"
"""


def test_the_z80_dma_moves_a_sector(tmp_path: Path) -> None:
    """Byte mode, port B the port dack, RDY active high: each DRQ moves a byte to memory."""
    (tmp_path / "i.bin").write_bytes(b"\x18\xfe")
    (tmp_path / "disk.img").write_bytes(IMAGE)
    (tmp_path / "m.toml").write_text(MACHINE)
    machine = Machine(load(tmp_path / "m.toml"))

    def out(port: int, *values: int) -> None:
        for value in values:
            machine.run(int(machine.m.t) + 400)
            make(machine, Input(int(machine.m.t), "out", str(port), value))

    def take(port: int) -> int:
        machine.run(int(machine.m.t) + 400)
        make(machine, Input(int(machine.m.t), "in", str(port), None))
        return int(machine.m.bus_byte)

    def results() -> bytes:
        found = bytearray()
        while take(0x40) & 0x50 == 0x50:
            found.append(take(0x41))
        return bytes(found)

    out(0x43, 0)
    out(0x42, 0x1C)
    machine.run(int(machine.m.t) + machine.at(1.1))
    for _ in range(4):
        out(0x41, 0x08)
        results()
    out(0x41, 0x03, 0xD1, 0x02, 0x07, 0x00)
    machine.run(int(machine.m.t) + machine.at(0.6))
    out(0x41, 0x08)
    assert results() == bytes([0x20, 0])
    out(0x30, 0x79, 0x00, 0x90, 0xFF, 0x01, 0x14, 0x28, 0x8D, 0x45, 0x00, 0x8A, 0xCF, 0x87)
    out(0x41, 0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF)
    machine.run(int(machine.m.t) + machine.at(0.5))
    assert results()[:3] == bytes([0x40, 0x80, 0])  # nobody gave TC: end of cylinder
    base = int(machine.m.read_base_true[9])
    assert bytes(machine.m.phys[base:base + 512]) == IMAGE[:512]
