"""Lengths of the interrupt responses against the CPU manual (UM0080 p.12-19)."""
from __future__ import annotations

import numpy as np
import pytest
from trace_bench import interrupter, machine

from emu.bus.state import ACK, WRITE
from emu.logs.tracer import watch

# ld sp,8000h / im N / ei / loop: inc hl / jr loop
PROGRAM = {0: "310080 ed46 fb 23 18fd", 1: "310080 ed56 fb 23 18fd"}


@pytest.mark.parametrize(("mode", "vector", "length", "target"), [
    (1, 0x10, 13, 0x38),  # 7, 3, 3
    (0, 0xFF, 13, 0x38),  # RST 38h from the card: 11 and two waits
    (0, 0xD7, 13, 0x10),  # RST 10h
])
def test_length(mode: int, vector: int, length: int, target: int) -> None:
    built = machine(bytes.fromhex(PROGRAM[mode].replace(" ", "")),
                    interrupter("card", 0x20, vector, 1000))
    chunk = watch(built, 1500)
    at = int(np.flatnonzero(chunk.cycles["kind"] == ACK)[0])
    cycles = chunk.cycles[at:at + 3]
    assert cycles["kind"].tolist() == [ACK, WRITE, WRITE]
    after = chunk.cycles[at + 3]
    assert int(after["address"]) == target
    assert int(after["t"]) - int(cycles["t"][0]) == length


