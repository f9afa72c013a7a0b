"""Cards for the tests of the logs: a chained interrupter with a port of its own."""
from __future__ import annotations

import numpy as np

from emu.bus.state import CHAINED_INTERRUPT, FAR
from peripherals.card import Card, Setup, entry

STATE = np.dtype([
    ("slot", np.int64), ("vector", np.int64),
    ("period", np.int64),  # T-states between requests, 0: none
], align=True)


@entry(STATE)
def reset(m, s, a, t):
    m.event_t[s.slot] = t + s.period if s.period > 0 else FAR
    return np.int64(0)


@entry(STATE)
def read(m, s, a, t):
    """Register 0 answers 5Ah; register 1 takes the request back."""
    if (a & 1) == 1:
        m.ip[s.slot] = 0
        m.irq_dirty = 1
    return np.int64(0x5A)


@entry(STATE)
def write(m, s, a, t):
    """Register 0 asks for an interrupt, register 1 lets /NMI fall."""
    if (a & 1) == 0:
        m.ip[s.slot] = 1
        m.irq_dirty = 1
    else:
        m.nmi_latch = 1
        m.nmi_t = t
    return np.int64(0)


@entry(STATE)
def advance(m, s, t, b):
    while m.event_t[s.slot] <= t:
        m.ip[s.slot] = 1
        m.irq_dirty = 1
        m.event_t[s.slot] += s.period
    return np.int64(0)


@entry(STATE)
def acknowledge(m, s, source, t):
    m.ip[s.slot] = 0
    m.irq_dirty = 1
    return s.vector


def power_on(setup: Setup) -> None:
    setup.state.vector = setup.settings["vector"]
    setup.state.period = setup.settings["period"]


CARD = Card(
    name="test-interrupter", summary="asks for interrupts", source="no source: a test's card",
    state=STATE,
    functions={"reset": reset, "read": read, "write": write, "advance": advance,
               "acknowledge": acknowledge},
    registers=("ask", "nmi"), interrupt=CHAINED_INTERRUPT, power_on=power_on)
