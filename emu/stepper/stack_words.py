"""The words on the stack, and which of them look like return addresses."""
from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

from emu.isa.disassembler import Instruction
from emu.stepper.lookup import Lookup, read_byte


class Readable(Protocol):
    """A machine at which one looks, with names."""

    book: Lookup

    @property
    def m(self) -> Any:
        """The machine's record."""

    def instruction(self, address: int) -> Instruction:
        """Disassemble the instruction at an address."""


@dataclass(frozen=True)
class StackWord:
    """A word on the stack; ``call`` names the call that it looks like coming back from."""

    address: int
    value: int
    call: str


def call_before(machine: Readable, back: int) -> Instruction | None:
    """Give the call or restart that would return to an address, None when none stands there."""
    for length in (3, 1):
        at = back - length & 0xFFFF
        found = machine.instruction(at)
        if found.length == length and found.flow in ("call", "branch-call", "restart"):
            return found
    return None


def stack(machine: Readable, count: int) -> list[StackWord]:
    """Read words from the top of the stack, with what they may be."""
    m, out = machine.m, []
    for k in range(count):
        at = int(m.sp) + 2 * k & 0xFFFF
        value = read_byte(m, at) | read_byte(m, at + 1 & 0xFFFF) << 8
        call = call_before(machine, value)
        words = f"back to {machine.book.at(value)}" if call else ""
        out.append(StackWord(at, value, words))
    return out


def returns(machine: Readable, words: int) -> list[tuple[int, int]]:
    """Guess return addresses near the top of the stack: (where they stand, they)."""
    return [(word.address, word.value) for word in stack(machine, words) if word.call]
