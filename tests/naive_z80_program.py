"""Run several instructions in a row through any `run_one`, counting T-states."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from naive_z80_cases import background
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
        memory = dict(self.memory)
        for offset, byte in enumerate(self.code):
            memory[(self.start + offset) % 65536] = byte
        return {**background(), **self.registers, "pc": self.start,
                "ram": [[address, memory[address]] for address in sorted(memory)]}


def run_program(run_one: Callable[..., State], program: Program, stop_at: int, most: int = 200_000) -> State:
    """Run until PC reaches `stop_at`; give `final`, total `t`, `instructions` and `ports`.

    Raises RuntimeError after `most` instructions without reaching it.
    """
    state, inputs = program.initial(), list(program.inputs)
    total, ports = 0, list[Any]()
    for done in range(1, most + 1):
        got = run_one(state, inputs)
        state = got["final"]
        total += len(got["cycles"])
        ports += got["ports"]
        del inputs[:sum(way == "r" for _, _, way in got["ports"])]
        if state["pc"] == stop_at:
            return {"final": state, "t": total, "instructions": done, "ports": ports}
    raise RuntimeError(f"PC did not reach {stop_at:04X}h in {most} instructions")
