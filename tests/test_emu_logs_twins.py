"""The compiled writers of a trace against tests/naive_trace.py: the same bytes."""
from __future__ import annotations

import io
from functools import cache
from pathlib import Path

import naive_trace
import numpy as np
import pytest
from trace_bench import interrupter, machine, place

from emu.backplane.description import load
from emu.logs.jsonlines import JsonWriter
from emu.logs.kinds import IDLE
from emu.logs.records import Chunk, compact
from emu.logs.setting import Setting, setting_of
from emu.logs.text import TextWriter
from emu.logs.tracer import watch
from emu.logs.vcd import VcdWriter
from emu.machine.machine import Machine
from emu.native import jit

ROMS = Path(__file__).parent.parent / "roms"
SEEN = 20_000 if not jit.plain_python() else 2_000  # T-states
MACHINES = ("noise", "waits", "chain", "nmi", "tidewater", "dma", "prefixes")


def built(name: str) -> tuple[Machine, int]:
    """Build a machine, and tell from where it is watched."""
    if name in ("tidewater", "dma"):
        file = {"tidewater": "tidewater/full.toml", "dma": "broken/dma/dma-print.toml"}[name]
        made = Machine(load(ROMS / file))
        start = 0 if jit.plain_python() or name == "dma" else 600_000
        made.run(start)
        return made, start
    if name == "noise":
        return machine(np.random.default_rng(7).bytes(0x10000)), 0
    if name == "waits":
        return machine(bytes.fromhex("3e12 210040 77 db20 d320 76 00"),
                       interrupter("card", 0x20, period=90), waits_m1=1, waits_mem=3), 0
    if name == "nmi":
        made = machine(bytes.fromhex("310080 d321 00 76"), interrupter("card", 0x20))
        place(made, 0x66, bytes.fromhex("d9 08 ed45"))
        return made, 0
    if name == "prefixes":
        return machine(bytes.fromhex("dddd fd213412 dd00 dded430040 ddfd cb42 18f0")), 0
    made = machine(bytes.fromhex("310080 3e40 ed47 ed5e fb 76 23 18fc"),
                   interrupter("near", 0x20, 0x10, 700),
                   interrupter("far", 0x30, 0x20, 300), chain=("near", "far"))
    place(made, 0x4010, bytes.fromhex("0050"))
    place(made, 0x4020, bytes.fromhex("0050"))
    place(made, 0x5000, bytes.fromhex("d9 d9 fb ed4d"))
    return made, 0


@cache
def watched(name: str) -> tuple[Chunk, Setting]:
    """Watch a machine for a while."""
    made, start = built(name)
    return watch(made, start + SEEN), setting_of(made)


def wanted(chunk: Chunk, by_cycle: bool, part: int) -> np.ndarray:
    """Choose all, or one in ``part``."""
    count = len(chunk.cycles) if by_cycle else len(chunk)
    return np.arange(count) % part == 0


@pytest.mark.parametrize("part", [1, 3])
@pytest.mark.parametrize("by_cycle", [False, True])
@pytest.mark.parametrize("name", MACHINES)
def test_text(name: str, by_cycle: bool, part: int) -> None:
    chunk, setting = watched(name)
    out = io.BytesIO()
    writer = TextWriter(out, setting, by_cycle)
    chosen = wanted(chunk, by_cycle, part)
    writer.write(chunk, chosen)
    found = out.getvalue().split(b"\n", 2)[2]
    assert len(found) > 1000
    assert found == naive_trace.text(chunk, setting, chosen, by_cycle)


@pytest.mark.parametrize("part", [1, 3])
@pytest.mark.parametrize("by_cycle", [False, True])
@pytest.mark.parametrize("name", MACHINES)
def test_json_lines(name: str, by_cycle: bool, part: int) -> None:
    chunk, setting = watched(name)
    out = io.BytesIO()
    chosen = wanted(chunk, by_cycle, part)
    JsonWriter(out, setting, by_cycle).write(chunk, chosen)
    assert out.getvalue() == naive_trace.json_lines(chunk, setting, chosen, by_cycle)


def test_a_stay_in_halt_as_one_line() -> None:
    chunk, setting = watched("waits")
    short = compact(chunk)
    assert np.count_nonzero(short.kind == IDLE) < np.count_nonzero(chunk.kind == IDLE)
    every = np.ones(len(short), bool)
    for writer, naive in ((TextWriter, naive_trace.text), (JsonWriter, naive_trace.json_lines)):
        out = io.BytesIO()
        writer(out, setting).write(short, every)
        assert out.getvalue().endswith(naive(short, setting, every, False))


@pytest.mark.parametrize(("scale", "scalars"), [("exact", False), ("tick", True), ("1 ps", False)])
@pytest.mark.parametrize("name", MACHINES)
def test_dumps(name: str, scale: str, scalars: bool) -> None:
    chunk, setting = watched(name)
    out = io.BytesIO()
    writer = VcdWriter(out, setting, scale, scalars)
    writer.write(chunk)
    writer.close(int(chunk.t[-1]))
    assert out.getvalue() == naive_trace.dump(chunk, setting, scale, scalars)


@pytest.mark.parametrize("size", [1, 5, 400])
def test_a_dump_does_not_depend_on_the_chunks(size: int) -> None:
    chunk, setting = watched("chain")
    found = []
    for length in (len(chunk), size):
        out = io.BytesIO()
        writer = VcdWriter(out, setting)
        for k in range(0, len(chunk), length):
            writer.write(chunk.cut(k, min(k + length, len(chunk))))
        writer.close(int(chunk.t[-1]))
        found.append(out.getvalue())
    assert found[0] == found[1]
