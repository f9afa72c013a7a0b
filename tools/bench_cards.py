"""The cards of the benchmark's bare machines: a status port, a bank register, a timer.

Each has a twin in tools/reference.c.  All states have the same form: ``slot`` and two
numbers, ``a`` and ``b``.
"""
from __future__ import annotations

import numpy as np

from emu.bus.memory import claim
from emu.bus.state import MACHINE
from emu.native.jit import INT, root

STATE = np.dtype([("slot", np.int64), ("a", np.int64), ("b", np.int64)], align=True)
WAIT_FOR_DATA = 2000  # T-states from one byte to the next
PERIOD = 1000  # T-states from one interrupt to the next
VECTOR = 0x10
FIRST_BANK, BANKS, BANK_PAGES, WINDOW = 16, 32, 4, 4  # in pages of 4 KiB


@root(MACHINE, STATE, INT, INT)
def status_read(m, s, a, t):
    """Register 0: 1 when a byte is there (since T-state s.a); register 1: the byte."""
    if (a & 0xFFFF) == 0:
        return np.int64(1 if t >= s.a else 0)
    s.a = t + WAIT_FOR_DATA
    s.b = (s.b * 5 + 1) & 0xFF
    return s.b


@root(MACHINE, STATE, INT, INT)
def banks_write(m, s, a, t):
    """Put a bank of 16 KiB at 4000h-7FFFh."""
    base = (FIRST_BANK + ((a >> 8) & (BANKS - 1)) * BANK_PAGES) * 4096
    for k in range(BANK_PAGES):
        claim(m, s.slot, WINDOW + k, base + k * 4096, base + k * 4096)
    return np.int64(0)


@root(MACHINE, STATE, INT, INT)
def timer_advance(m, s, t, _):
    """Ask for an interrupt at T-states s.a, s.a + PERIOD, ..."""
    while s.a <= t:
        s.a += PERIOD
        m.ip[s.slot] = 1
        m.irq_dirty = 1
    m.event_t[s.slot] = s.a
    return np.int64(0)


@root(MACHINE, STATE, INT, INT)
def timer_acknowledge(m, s, source, t):
    """Answer with the vector."""
    m.ip[s.slot] &= ~source
    return np.int64(VECTOR)
