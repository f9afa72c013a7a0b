"""The watch over bus requests rests where nothing can ask: the run is the same as when it never
does, which a bus log sees to."""
from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from cpu_machine import WATCH

from emu.backplane.description import load
from emu.bus.state import HEAD, MACHINE
from emu.machine.machine import Machine
from emu.native import jit

DMA = Path(__file__).parent.parent / "roms" / "broken" / "dma"
SLOW = jit.plain_python()
# How the bus is watched, and what a log turns on.
HOW = (*WATCH, "next_event", "t_stop", "log_pos", "logging", "log_only", "log_limit", "read_base",
       "write_base", "uid", "card_functions", "plain", "exit_reason", "refresh_high",
       "bus_driver", "bus_byte")


def states(machine: Machine) -> dict[str, list[int]]:
    return {name: np.asarray(machine.record[name]).tolist() for name in MACHINE.names or ()
            if name not in HOW and MACHINE.fields[name][1] < HEAD}


@pytest.mark.parametrize("name", ["dma-print", "dma-lamps", "dma-copy-fixed", "dma-floppy"])
def test_a_chip_at_work_does_the_same(name: str) -> None:
    watched, resting = (Machine(load(DMA / f"{name}.toml")) for _ in range(2))
    watched.log(True)
    ends = [20_000] if SLOW else [30_000, 111_111, 400_000, 7_000_000]
    for end in ends:
        watched.run(end)
        resting.run(end)
        same, other = states(watched), states(resting)
        assert [key for key in same if same[key] != other[key]] == []
        assert watched.snapshot().memory.tobytes() == resting.snapshot().memory.tobytes()
    assert SLOW or int(watched.m.bus_back_t) > 0


def test_it_rests_while_an_armed_chip_has_nothing_to_do() -> None:
    resting = Machine(load(DMA / "dma-print.toml"))
    rests = 0
    for end in range(1_000, 40_000 if SLOW else 400_000, 1_000):
        resting.run(end)
        rests += int(resting.m.bus_armed) != 0 and int(resting.m.bus_watch) == 0
    assert rests > 0
