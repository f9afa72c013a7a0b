"""Run several instructions in a row through any `run_one`, counting T-states."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import naive_z80
from naive_z80_cases import background, with_ram
from naive_z80_machine import State


@dataclass
class Program:
    """A small program: code at `start`, registers over the background, bytes for port reads."""

    code: bytes
    start: int = 0x8000
    registers: dict[str, int] = field(default_factory=dict)
    memory: dict[int, int] = field(default_factory=dict)
    inputs: Iterable[int] = ()

    def initial(self) -> State:
        """Give the state at the first instruction, in the single-step form."""
        memory = dict(self.memory)
        for offset, byte in enumerate(self.code):
            memory[(self.start + offset) % 65536] = byte
        return {**background(), **self.registers, "pc": self.start,
                "ram": [[address, memory[address]] for address in sorted(memory)]}


def needed(state: State, memory: dict[int, int], inputs: list[int]) -> dict[int, int]:
    """Pick the bytes the next instruction touches, by the naive twin: a bench may take few."""
    cycles = naive_z80.run_one(with_ram(state, memory), inputs)["cycles"]
    return {cycle[0]: memory.get(cycle[0], 0) for cycle in cycles if cycle[2][2] == "m"}


def run_program(run_one: Callable[..., State], program: Program, stop_at: int,
                most: int = 200_000) -> State:
    """Run until PC reaches `stop_at`; give `final`, total `t`, `instructions` and `ports`.

    Raises RuntimeError after `most` instructions without reaching it.
    """
    state, inputs = program.initial(), list(program.inputs)
    memory = dict(state["ram"])
    total, ports = 0, list[Any]()
    for done in range(1, most + 1):
        got = run_one(with_ram(state, needed(state, memory, inputs)), inputs)
        state = got["final"]
        memory.update(state["ram"])
        total += len(got["cycles"])
        ports += got["ports"]
        del inputs[:sum(way == "r" for _, _, way in got["ports"])]
        if state["pc"] == stop_at:
            return {"final": with_ram(state, memory), "t": total, "instructions": done,
                    "ports": ports}
    raise RuntimeError(f"PC did not reach {stop_at:04X}h in {most} instructions")
