"""A machine with a Z80 SIO at port 20h, ROM and RAM, for programs given in hex.

    m = sio_machine(tmp_path, wires, "21 80 00 ...", {0x80: b"..."})
"""
from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from emu.backplane.description import load
from emu.machine.machine import Machine
from emu.run.console import terminal

FILE = """
[backplane]
chain = ["sio"]
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"
[slot.memory]
card = "plain-memory"
image = "i.bin"
[slot.sio]
card = "z80-sio"
base = 0x20
clock-a = "614.4 kHz"
terminal-a = { baud = 38400, format = "8N1", flow = "none" }
"""


def otir(port: int, at: int, count: int) -> str:
    """Give LD HL, LD BC and OTIR in hex."""
    return f"21 {at & 255:02X} {at >> 8:02X} 01 {port:02X} {count:02X} ED B3 "


def sio_machine(folder: Path, more: str, code: str, tables: Mapping[int, bytes],
                change: Mapping[str, str] | None = None) -> Machine:
    """Build it: ``code`` behind LD SP,A000h at 0000h, ``tables`` in the ROM; ``more`` is added to
    the backplane file, in which texts are changed."""
    image = bytearray(0x200)
    for at, data in {0: bytes.fromhex("31 00 A0 " + code), **tables}.items():
        image[at:at + len(data)] = data
    (folder / "i.bin").write_bytes(image)
    text = FILE
    for old, new in (change or {}).items():
        text = text.replace(old, new)
    (folder / "m.toml").write_text(text + more)
    return Machine(load(folder / "m.toml"))


def memory(m: Machine, address: int, count: int) -> bytes:
    """Read memory as the CPU sees it."""
    base = int(m.m.read_base_true[address >> 12]) + (address & 0xFFF)
    return bytes(m.m.phys[base:base + count])


def shown(m: Machine) -> bytes:
    """Give what the terminal shows."""
    line = terminal(m, "sio.a")
    return bytes(line.shown[:int(line.shown_in)])
