"""Where a program's instructions of some kinds stand, as far as a run has executed them.

Told from the bytes that the run fetched as code, and from those with which an instruction began.
"""
from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from emu.chronicle.shadow import BEGINS, EXECUTED
from emu.diagnosis.case import Case
from emu.diagnosis.evidence.chronicled import chronicle
from emu.isa.opcodes import CALLS_NN
from emu.machine.places import places

BEYOND = 0x10000


@dataclass(frozen=True)
class Code:
    """The executed bytes of the 64 KiB that the CPU sees at the end of a run."""

    byte: np.ndarray  # uint8, (65536,): what stands there
    ran: np.ndarray  # bool, (65536,)
    begins: np.ndarray  # bool, (65536,): an instruction that ran begins there
    place: np.ndarray  # int64, (65536,): in physical memory, below 0: none

    def find(self, *codes: int) -> list[int]:
        """List the addresses where some opcodes stand in executed bytes, one behind another."""
        there = self.ran.copy()
        for k, code in enumerate(codes):
            there[:BEYOND - k] &= (self.byte[k:] == code) & self.ran[k:]
            there[BEYOND - k:] = False
        return [int(at) for at in np.nonzero(there)[0]]

    def word(self, address: int) -> int:
        """Give the word at an address, low byte first."""
        return int(self.byte[address]) | int(self.byte[(address + 1) & 0xFFFF]) << 8


def instructions(case: Case, addresses: Iterable[int]) -> list[int]:
    """Keep the addresses at which an instruction began in the run, in their order."""
    begins = code_of(case).begins
    return [at for at in addresses if begins[at]]


def code_of(case: Case) -> Code:
    """Give the executed code of a case's run."""
    return case.once(_code_of)


def _code_of(case: Case) -> Code:
    machine = chronicle(case).machine
    place = places(machine)
    there = place >= 0
    byte, flags = np.full(BEYOND, 0xFF, np.uint8), np.zeros(BEYOND, np.uint16)
    byte[there] = np.asarray(machine.m.phys)[place[there]]
    flags[there] = np.asarray(machine.shadow.byte)[place[there]]
    return Code(byte, flags & EXECUTED != 0, flags & BEGINS != 0, place)


def routines(case: Case) -> list[int]:
    """List the addresses that executed calls go to, in the order of addresses."""
    return case.once(_routines)


def _routines(case: Case) -> list[int]:
    code = code_of(case)
    calls = np.nonzero(CALLS_NN[code.byte] & code.ran)[0]
    found = {code.word((int(at) + 1) & 0xFFFF) for at in instructions(case, calls.tolist())}
    return sorted(at for at in found if code.begins[at])


def routine_of(case: Case, address: int) -> int | None:
    """Give the called routine that an address seems to belong to: the last one that begins there
    or before it, if all between them was executed or skipped over by little."""
    before = [at for at in routines(case) if at <= address]
    return before[-1] if before and address - before[-1] < 0x100 else None
