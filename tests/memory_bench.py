"""CPU accesses to memory cards on the card bench, and flash commands as a driver gives them."""
from __future__ import annotations

import numpy as np
from card_bench import Bench

from emu.bus import cycles


def peek(bench: Bench, address: int, t: int | None = None) -> int:
    """Read an address as the CPU does; the card sees the read in T-state ``t`` or two later."""
    if t is not None:
        bench.advance(t - 2)
    m = bench.m
    value, m.t = cycles.rd(m, m.t, m.pc, np.int64(address))
    return int(value)


def poke(bench: Bench, address: int, value: int, t: int | None = None) -> None:
    """Write to an address as the CPU does; the card sees it in T-state ``t`` or two later."""
    if t is not None:
        bench.advance(t - 2)
    m = bench.m
    m.t = cycles.wr(m, m.t, m.pc, np.int64(address), np.int64(value))


def opcode(bench: Bench) -> int:
    """Fetch an opcode at PC."""
    m = bench.m
    value, m.t, m.pc = cycles.m1(m, m.t, m.pc)
    return int(value)


def unlock(bench: Bench, command: int, first: int = 0x5555, second: int = 0x2AAA) -> None:
    """Give the two unlock writes and a command byte (S71147 table 4)."""
    poke(bench, first, 0xAA)
    poke(bench, second, 0x55)
    poke(bench, first, command)


def program(bench: Bench, address: int, value: int) -> int:
    """Begin to program a byte; give the T-state in which the chip took it."""
    unlock(bench, 0xA0)
    at = bench.t + 2
    poke(bench, address, value)
    return at


def erase_sector(bench: Bench, address: int) -> int:
    """Begin to erase a sector; give the T-state in which the chip took it."""
    unlock(bench, 0x80)
    poke(bench, 0x5555, 0xAA)
    poke(bench, 0x2AAA, 0x55)
    at = bench.t + 2
    poke(bench, address, 0x30)
    return at
