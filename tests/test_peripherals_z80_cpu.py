"""The CPU card: its jumpers reach the core."""
from __future__ import annotations

from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.machine.machine import Machine

PLANE = """
[slot.cpu]
card = "z80-cpu"
{jumpers}
[slot.memory]
card = "plain-memory"
image = "code.bin"
"""


def machine(folder: Path, code: str, jumpers: str = "") -> Machine:
    """Build a machine with a program at 0000h."""
    (folder / "code.bin").write_bytes(bytes.fromhex(code))
    (folder / "plane.toml").write_text(PLANE.format(jumpers=jumpers))
    return Machine(load(folder / "plane.toml"))


def steps(built: Machine, count: int) -> int:
    """Run a number of instructions; give the T-states they took."""
    start = int(built.m.t)
    for _ in range(count):
        built.run(int(built.m.t) + 1)
    return int(built.m.t) - start


# LD A,n; LD (8000h),A; IN A,(n); OUT (n),A take 7, 13, 11 and 11 T-states (UM0080, the
# instructions' pages): an opcode fetch each, 1, 3, 1 and 1 memory cycles, and the I/O cycle.
CODE = "3E 12 32 00 80 DB 10 D3 10"


@pytest.mark.parametrize(("jumpers", "lengths"), [
    ("", [7, 13, 11, 11]),
    ("wait-m1 = 1", [8, 14, 12, 12]),
    ("wait-memory = 2", [9, 19, 13, 13]),
    ("wait-io = 3", [7, 13, 14, 14]),
    ("wait-m1 = 1\nwait-memory = 1\nwait-io = 1", [9, 17, 14, 14]),
])
def test_wait_generator_lengthens_cycles_of_its_kind(
        tmp_path: Path, jumpers: str, lengths: list[int]) -> None:
    built = machine(tmp_path, CODE, jumpers)
    assert [steps(built, 1) for _ in lengths] == lengths


def test_waits_of_cpu_and_memory_add_up(tmp_path: Path) -> None:
    built = machine(tmp_path, CODE, "wait-m1 = 1")
    text = (tmp_path / "plane.toml").read_text() + "waits-m1 = 2\nwaits-mem = 1\n"
    (tmp_path / "plane.toml").write_text(text)
    slower = Machine(load(tmp_path / "plane.toml"))
    assert (steps(built, 1), steps(slower, 1)) == (8, 11)


@pytest.mark.parametrize(("part", "value"), [("nmos", 0x00), ("cmos", 0xFF)])
def test_out_c_0_tells_the_part(tmp_path: Path, part: str, value: int) -> None:
    """ED 71: NMOS parts put out 00h, CMOS parts FFh (from memory)."""
    built = machine(tmp_path, "0E 55 ED 71", f'part = "{part}"')
    steps(built, 2)
    assert int(built.m.port_out_last[0x55]) == value


def test_clock_is_the_machines(tmp_path: Path) -> None:
    assert machine(tmp_path, "00", 'clock = "6.144 MHz"').hz == 6_144_000
    assert machine(tmp_path, "00").hz == 4_000_000
