"""When cards act: their events, one by one up to a time, and accesses that find them up to date."""
from __future__ import annotations

import numpy as np

from emu.bus.chain import update_int
from emu.bus.rows import card_called
from emu.bus.state import FAR, SLOTS
from emu.native.calls import ADVANCE, call_card
from emu.native.jit import compiled, inlined


@inlined
def soonest_event(m):
    """Give the time of the first event of any card, FAR when there is none."""
    soonest = np.int64(FAR)
    for slot in range(SLOTS):  # not m.slots: with a fixed count it costs the same for any number
        soonest = min(soonest, m.event_t[slot])
    return soonest


@compiled
def catch_up(m, when):
    """Let all events up to ``when`` happen; the time of the next one behind them."""
    soonest = soonest_event(m)
    if soonest <= when:
        for slot in range(m.slots):
            if m.event_t[slot] <= when:
                call_card(m, slot, ADVANCE, when, 0)
        soonest = soonest_event(m)
    if m.irq_dirty == 1:
        update_int(m)
    return soonest


@inlined
def access(m, slot, entry, a, when):
    """Access a card; the chip looked at /INT and /NMI before the strobe ended."""
    if m.next_event <= when + 1:
        catch_up(m, when)
    line = m.int_line
    latch = m.nmi_latch
    value = call_card(m, slot, entry, a, when)
    m.next_event = min(m.next_event, m.event_t[slot] + 1)
    if m.irq_dirty == 1:
        update_int(m)
        if m.held_t != when:
            m.held_t = when
            m.held_int = line
        m.next_event = 0
    if m.nmi_latch != latch:
        m.nmi_t = when + 1
    if m.bus_armed != 0:
        m.next_event = 0
    card_called(m)
    return value
