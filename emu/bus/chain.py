"""The interrupt chain: IEI/IEO, request, acknowledge, and RETI seen on the bus.

A card keeps its pending sources in ``ip`` and those under service in ``ius``, bit 0
the highest inside the card, and sets ``irq_dirty``.  The rules, after the Z80
peripherals manual (UM0081, interrupt chapters of CTC and SIO):

* a card pulls /INT low when IEI is high and its highest pending source stands above
  all its sources under service;
* IEO is low when IEI is low, or anything is pending or under service;
* in an acknowledge the asking card with IEI high answers, whether or not its INT pin is
  wired: the chip knows nothing of that;
* RETI ends the service of the one card with IEI high and IEO low; pending requests do
  not hold IEO low while the chip sees ED.

A card outside the chain has IEI high for ever, as on a backplane without chain wiring.
"""
from __future__ import annotations

import numpy as np

from emu.bus.rows import card_called
from emu.bus.state import (
    CONFLICT,
    NO_INTERRUPT,
    NOBODY,
    PLAIN_INTERRUPT,
    STOP_REQUEST,
)
from emu.bus.stops import stop_on
from emu.native.calls import ACKNOWLEDGE, RETI, call_card
from emu.native.jit import compiled, inlined

OPEN, RESTART = -1, -2  # in ``m.chain``: IEI is low from here on, or high again


@inlined
def asks(m, slot):
    """Tell whether a chained card wants /INT low, IEI permitting."""
    pending = m.ip[slot]
    serving = m.ius[slot]
    return pending != 0 and (serving == 0 or (pending & -pending) < (serving & -serving))


@compiled
def update_int(m):
    """Work out IEI, IEO and /INT after a card changed its requests."""
    m.irq_dirty = 0
    line = 1 if m.int_held + m.int_wired != 0 else 0
    iei = 1
    for k in range(m.chain_len):
        slot = m.chain[k]
        if slot < 0:
            iei = 1 if slot == RESTART else 0
            continue
        m.iei[slot] = iei
        if iei == 1 and m.int_kind[slot] != NO_INTERRUPT and asks(m, slot):
            line |= 1 - m.int_cut[slot]
        if m.ip[slot] != 0 or m.ius[slot] != 0:
            iei = 0
        m.ieo[slot] = iei
    for slot in range(m.slots):
        kind = m.int_kind[slot]
        if m.chained[slot] == 1 or (kind == NO_INTERRUPT and m.vectored[slot] == 0):
            continue
        if kind == PLAIN_INTERRUPT:
            if m.ip[slot] != 0:
                line |= 1 - m.int_cut[slot]
        else:
            m.iei[slot] = 1
            m.ieo[slot] = 0 if m.ip[slot] != 0 or m.ius[slot] != 0 else 1
            if kind != NO_INTERRUPT and asks(m, slot):
                line |= 1 - m.int_cut[slot]
    if line == 1 and m.int_line == 0:
        m.int_since = m.t
        m.next_event = 0
        stop_on(m, STOP_REQUEST, 0, 0)
    m.int_line = line


@inlined
def fall_nmi(m, when):
    """Let a card pull /NMI low in T-state ``when``: the chip latches the edge."""
    if m.nmi_latch == 0:
        m.nmi_latch = 1
        m.nmi_t = when
    m.next_event = 0


@compiled
def answer(m, slot):
    """Let one asking card answer the acknowledge: its vector."""
    source = m.ip[slot] & -m.ip[slot]
    m.ius[slot] |= source
    vector = call_card(m, slot, ACKNOWLEDGE, source, m.t)
    m.int_count[slot] += 1
    m.int_last[slot] = m.t
    m.irq_dirty = 1
    return vector & 0xFF


@compiled
def acknowledge(m):
    """Run the acknowledge through the chain: the byte driven, or -1 when nobody answers.

    ``bus_driver`` tells who answered.
    """
    vector = np.int64(-1)
    m.bus_driver = NOBODY
    for slot in range(m.slots):
        if m.vectored[slot] == 0 or m.iei[slot] == 0 or not asks(m, slot):
            continue
        byte = answer(m, slot)
        if vector < 0:
            vector = byte
            m.bus_driver = slot + 1
        else:
            vector &= byte
            m.bus_driver = CONFLICT
            if m.ack_conflicts == 0:
                m.ack_conflict_t = m.t
            m.ack_conflicts += 1
    if m.irq_dirty == 1:
        update_int(m)
    return vector


@inlined
def end_service(m, slot):
    """End the highest service of a card that has seen RETI addressed to it."""
    source = m.ius[slot] & -m.ius[slot]
    m.ius[slot] &= ~source
    m.reti_count[slot] += 1
    call_card(m, slot, RETI, source, m.t)
    m.irq_dirty = 1
    card_called(m)


@compiled
def return_from_interrupt(m):
    """Let the cards see ED 4D."""
    if m.reti_hidden == 1:
        return
    iei = 1
    for k in range(m.chain_len):
        slot = m.chain[k]
        if slot < 0:
            iei = 1 if slot == RESTART else 0
        elif iei == 1 and m.ius[slot] != 0:
            end_service(m, slot)
            iei = 0
    for slot in range(m.slots):
        if m.chained[slot] == 0 and m.ius[slot] != 0:
            end_service(m, slot)
    if m.irq_dirty == 1:
        update_int(m)
