"""Polled loops against the data rate: they keep up or overrun where T-state arithmetic says.

A loop is known by four sums of T-states (UM0080, instruction descriptions): from one look at
the status to the next (``poll``), from the look that sees RQM to the data's read (``take``),
from there to the next look (``back``), and so a byte in ``take + back``.  Byte k is there
16 or 32 us after byte k - 1, and must be read within 13 or 26 us (8272 description).
"""
from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from emu.backplane.description import load
from emu.bus.state import IN, LOG
from emu.machine.machine import Machine

STATUS, DATA = 0x40, 0x41
HALT = 0x7F  # where one stands
FIRST_DATA = 146 + 12 + 4 + 4 + 2 + 22 + 12 + 4  # bytes before sector 1's data; LPC47S45x p.56
HEAD = bytes.fromhex(  # ld hl,table; ld b,12; wait for RQM; send 12 bytes; ld hl,9000h; ld c,41h
    "21 40 00 06 0C DB 40 87 30 FB 7E D3 41 23 10 F5 21 00 90 0E 41 06 00 11 00 02")
TABLE = bytes([0x03, 0xD1, 0x03])  # SPECIFY; then READ DATA, head 0, cylinder 0, sector 1


@dataclass(frozen=True)
class Loop:
    """A way to read a sector, and what it takes."""

    code: str
    poll: int
    take: int
    back: int


TIGHT = "DB 40 87 30 FB 87 F2 {end} ED A2 C2 {again}"
LOOPS = {
    # in a,(40h) 11; add a,a 4; jr nc 12/7; add a,a 4; jp p,end 10; ini 16; jp nz 10: 62 a byte.
    # A look stands in T-state 10 of IN, the data's read in T-state 12 of INI.
    "tight": Loop(TIGHT, 27, 1 + 4 + 7 + 4 + 10 + 12, 4 + 10 + 10),
    # in a,(40h) 11; rlca 4; jr nc 12/7; in a,(41h) 11; ld (hl),a 7; inc hl 6; dec de 6;
    # ld a,d 4; or e 4; jp nz 10: 70 a byte
    "counted": Loop("DB 40 07 30 FB DB 41 77 23 1B 7A B3 C2 {again}", 27,
                    1 + 4 + 7 + 10, 1 + 7 + 6 + 6 + 4 + 4 + 10 + 10),
    # the same with a subroutine: call 17; in a,(40h) 11; and 7; cp 7; jr nz 12/7; in a,(41h) 11;
    # ret 10; ld (hl),a 7; inc hl 6; dec de 6; ld a,d 4; or e 4; jp nz 10: 107 a byte
    "called": Loop("CD {sub} 77 23 1B 7A B3 C2 {again} 76 DB 40 E6 A0 FE A0 20 F8 DB 41 C9", 37,
                   1 + 7 + 7 + 7 + 10, 1 + 10 + 7 + 6 + 6 + 4 + 4 + 10 + 17 + 10),
}
CLOCKS = ("4", "6", "7.5", "8", "10")
KEEPS = {  # loop, kbit/s -> the clocks at which it keeps up
    ("tight", 500): ("6", "7.5", "8", "10"), ("tight", 250): CLOCKS,
    ("counted", 500): ("6", "7.5", "8", "10"), ("counted", 250): CLOCKS,
    ("called", 500): ("7.5", "8", "10"), ("called", 250): CLOCKS,
}

PLANE = """
[slot.cpu]
card = "z80-cpu"
clock = "{clock} MHz"
[slot.memory]
card = "plain-memory"
image = "loop.bin"
rom-size = 32768
ram-start = 0x8000
ram-size = 32768
[slot.floppy]
card = "fdc-765"
base = 0x40
chip = "765b"
output-reset = 0x1C
data-rate = "{rate}"
drive-a = {{ medium = "disk.img", spin-up = 0 }}
"""


def word(value: int) -> str:
    """Give a word as two hex bytes, low byte first."""
    return value.to_bytes(2, "little").hex(" ")


def program(loop: Loop) -> bytes:
    """Put the program together: the head, one or two copies of the loop, HALT, the table."""
    at = 0x80
    body = b""
    for _ in range(2 if loop.code is TIGHT else 1):
        text = loop.code.format(again=word(at + len(body)), end=word(HALT),
                                sub=word(at + len(body) + 12))
        body += bytes.fromhex(text)
    jump = bytes.fromhex("C3 80 00")
    table = TABLE + bytes([0x46, 0, 0, 0, 1, 2, 1, 0x1B, 0xFF])
    low = (HEAD + jump).ljust(0x40, b"\0") + table
    return low.ljust(HALT, b"\0") + b"\x76" + body + b"\x76"


def boot(folder: Path, loop: Loop, clock: str, rate: int, delay: int) -> Machine:
    """Run a loop until it has ended; the bus log holds the end of it."""
    size = {500: 1474560, 250: 737280}[rate]
    disk = np.random.default_rng(5).integers(0, 256, size, np.uint8).tobytes()
    (folder / "disk.img").write_bytes(disk)
    (folder / "loop.bin").write_bytes(program(loop))
    (folder / "plane.toml").write_text(PLANE.format(clock=clock, rate=rate))
    machine = Machine(load(folder / "plane.toml"))
    machine.slot("floppy").state.drive[0].position = 0
    machine.m.pc = HALT
    machine.run(machine.at(Fraction(2, 1000)) + delay)
    machine.m.pc = machine.m.halted = 0
    machine.log(True)
    state = machine.slot("floppy").state
    while not (machine.m.halted or state.overruns) and machine.m.t < machine.at(2):
        machine.run(int(machine.m.t) + machine.at(Fraction(1, 1000)))
    return machine


def reads(machine: Machine) -> tuple[np.ndarray, np.ndarray]:
    """Give the T-states in which the chip saw its status and its data read."""
    ring = np.asarray(machine.m.log).reshape(-1, 2)
    end = int(machine.m.log_pos)
    rows = ring[np.arange(max(0, end - LOG), end) % LOG]
    inputs = rows[(rows[:, 1] >> 24 & 15) == IN]
    port = inputs[:, 1] & 0xFF
    return inputs[port == STATUS, 0] + 3, inputs[port == DATA, 0] + 3


def byte_times(machine: Machine, first: int, rate: int) -> list[int]:
    """Work out when each byte of the sector is there, from the index before ``first`` on."""
    turn = machine.hz / 5
    anchor = int(machine.slot("floppy").state.drive[0].index_t)
    index = anchor - ((anchor - first) // turn + 1) * turn
    byte = Fraction(8, rate * 1000) * machine.hz
    return [int(index + (FIRST_DATA + k + 1) * byte) for k in range(512)]


def twin(loop: Loop, look: int, times: list[int], limit: int) -> list[int]:
    """Go through the loop by sums alone: when it reads, up to the first byte that is late."""
    out: list[int] = []
    for there in times:
        while look < there:
            look += loop.poll
        read = look + loop.take
        if read > there + limit:
            return out
        out.append(read)
        look = read + loop.back
    return out


@pytest.mark.parametrize("name", LOOPS)
@pytest.mark.parametrize("rate", [500, 250])
@pytest.mark.parametrize("clock", CLOCKS)
def test_loop_keeps_up_where_arithmetic_says(tmp_path: Path, name: str, rate: int, clock: str):
    loop = LOOPS[name]
    for delay in (0, 11):
        machine = boot(tmp_path, loop, clock, rate, delay)
        looks, data = reads(machine)
        times = byte_times(machine, int(data[0]), rate)
        assert 0 <= data[0] - times[0] <= loop.poll + loop.take
        before = int(looks[looks < data[0]][-1])  # the look that saw RQM
        wanted = twin(loop, before, times, int(Fraction(13 * 500, rate) * machine.hz / 1_000_000))
        assert data[:len(wanted)].tolist() == wanted
        state = machine.slot("floppy").state
        keeps = clock in KEEPS[name, rate]
        assert (len(wanted) == 512) == keeps
        assert bool(state.overruns) == (not keeps)


def test_sums_are_those_of_the_loops():
    assert {name: loop.take + loop.back for name, loop in LOOPS.items()} == {
        "tight": 62, "counted": 70, "called": 107}
    worst = LOOPS["tight"].poll + LOOPS["tight"].take
    assert worst == 65  # T-states from RQM to the data, at most: 13 us need 5 MHz
