"""LDIR and LDDR run in a loop of their own: a free run must equal single steps.

The loop leaves for whatever the run loop would see between two passes: a stop time, an
event, other bytes at the instruction's place, memory that is not plain.
"""
from __future__ import annotations

import numpy as np
import pytest

from emu.bus.memory import refresh_map
from emu.bus.state import FAR, ROM, B, C, D, E, H, L, new_record
from emu.cpu.run import run as plain_run
from emu.native import jit, units

LDIR, LDDR = 0xB0, 0xB8


def machine(op: int, at: int, hl: int, de: int, bc: int) -> np.recarray:
    """Make a bare machine with 64 KiB of noise and a repeated transfer at ``at``."""
    record = new_record()
    m = record[0]
    m.phys[:65536] = np.random.default_rng(at + hl).integers(0, 256, 65536)
    m.read_base_true[:] = m.write_base_true[:] = np.arange(16) * 4096
    m.owner[:] = 1
    m.event_t[:] = FAR
    m.held_t = -1
    m.log_limit = FAR
    m.port_slot[:] = -1
    m.wait_m1[:] = np.arange(16) % 3
    m.wait_mem[:] = np.arange(16) % 2
    m.phys[at] = 0xED
    m.phys[(at + 1) & 0xFFFF] = op
    m.pc = at
    for high, low, value in ((H, L, hl), (D, E, de), (B, C, bc)):
        m.r[high], m.r[low] = value >> 8, value & 0xFF
    refresh_map(m)
    return record


def run(record: np.recarray, t_stop: int) -> None:
    if jit.plain_python():
        plain_run(record[0], np.int64(t_stop))
    else:
        units.callable_root("emu.cpu.run.run", 1)(record.ctypes.data, t_stop)


def state(record: np.recarray) -> bytes:
    """Give the machine's bytes but for the limits that a run is given."""
    copy = record.copy()
    for name in ("t_stop", "next_event"):
        copy[name] = 0
    return bytes(copy.tobytes())


CASES = {
    "up": (LDIR, 0x1000, 0x2000, 0x3000, 300),
    "down": (LDDR, 0x1000, 0x2200, 0x3300, 300),
    "one byte": (LDIR, 0x1000, 0x2000, 0x3000, 1),
    "bc 0: all 64 KiB, code included": (LDIR, 0x1000, 0x2000, 0x3000, 0),
    "over itself": (LDIR, 0x1000, 0x2000, 0x0F80, 300),
    "over itself, down": (LDDR, 0x1000, 0x2000, 0x1080, 300),
    "around the top": (LDIR, 0x1000, 0xFF80, 0xFFC0, 300),
    "across a page": (LDIR, 0x1FFF, 0x2000, 0x3000, 40),
    "at the top": (LDIR, 0xFFFF, 0x2000, 0x3000, 40),
}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
@pytest.mark.parametrize("logged", [0, 1])
def test_free_run_equals_single_steps(case: tuple[int, int, int, int, int], logged: int) -> None:
    free, stepped = machine(*case), machine(*case)
    for record in (free, stepped):
        record[0].logging = logged
        refresh_map(record[0])
    instructions = min(case[4] or 65536, 150 if jit.plain_python() else 3000)
    for _ in range(instructions + 20):
        run(stepped, int(stepped[0].t) + 1)
    run(free, int(stepped[0].t))
    assert state(free) == state(stepped)


def test_events_and_odd_stop_times_fall_where_they_should() -> None:
    free, cut = machine(*CASES["up"]), machine(*CASES["up"])
    for t in range(7, 3000, 31):
        run(cut, t)
        assert t <= cut[0].t < t + 30
    run(free, int(cut[0].t))
    assert state(free) == state(cut)


def test_a_write_to_rom_is_seen_at_its_time() -> None:
    free, stepped = machine(*CASES["up"]), machine(*CASES["up"])
    for record in (free, stepped):
        record[0].write_base_true[3] = ROM
        refresh_map(record[0])
    for _ in range(20):
        run(stepped, int(stepped[0].t) + 1)
    run(free, int(stepped[0].t))
    assert int(free[0].rom_writes) == 20
    assert state(free) == state(stepped)
