"""Small machines for the tests of the logs: 64 KiB of RAM that hold a program at 0000h."""
from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import trace_cards

from emu.backplane.jumpers import settle
from emu.machine.machine import Machine
from peripherals import plain_memory, z80_cpu


def slot(name: str, card: Any, settings: Mapping[str, Any], ports: Sequence[int] = (),
         **more: Any) -> Any:
    """Describe a card in its slot; register k stands at ``ports[k]``."""
    return SimpleNamespace(
        name=name, card=card, settings=settings, images={}, media={},
        waits_io=more.get("waits_io", 0),
        waits_mem=more.get("waits_mem", 0), waits_m1=more.get("waits_m1", 0), place=name,
        sources=(),
        ports=tuple(SimpleNamespace(register=k, port=port, mask=0xFF)
                    for k, port in enumerate(ports)))


def interrupter(name: str, base: int, vector: int = 0x10, period: int = 0, **more: Any) -> Any:
    """Describe a test card at ports base and base + 1."""
    return slot(name, trace_cards.CARD, {"vector": vector, "period": period}, (base, base + 1),
                **more)


def machine(program: bytes, *cards: Any, chain: Sequence[str] | None = None,
            clock: Fraction = Fraction(4_000_000), **memory: Any) -> Machine:
    """Build a machine of CPU, memory and cards, and put the program at 0000h."""
    ram = {"rom-size": 0, "ram-start": 0, "ram-size": 0x10000}
    slots = (slot("cpu", z80_cpu.CARD, settle(z80_cpu.CARD, {}, "cpu")),
             slot("memory", plain_memory.CARD, settle(plain_memory.CARD, ram, "memory"), **memory),
             *cards)
    built = Machine(SimpleNamespace(
        faults=(),
        path=Path("bench.toml"), name="bench", slots=slots, chain=chain, wires=(),
        floating="pull-ups", seed=1, cpu_hz=clock))
    place(built, 0, program)
    return built


def place(built: Machine, address: int, data: bytes) -> None:
    """Put bytes into the machine's memory."""
    base = int(built.m.mem_base[1])
    built.m.phys[base + address:base + address + len(data)] = np.frombuffer(data, np.uint8)
