"""Find the edges of /INT, /NMI, IEI, IEO and of cards' lines, from step to step, in half T-states.

The machine keeps these lines as levels.  What changed them in a step tells when:

* a card's event: at its own T-state.  Events that fell due are run one by one before a
  step, in the order of their times, which no result may depend on; those that an access
  inside the step lets happen have the time of their card's first event in the step;
* an access to a card: at the access's T-state (T3);
* an acknowledge: with /IORQ going low in its first wait state;
* RETI: at T3 of the second opcode byte, where a chip has read it.

Lines between cards are noted by who drives them, with their T-states (emu/bus/wires.py).

``s`` is the sampler's record, emu/logs/sampler.py.
"""
from __future__ import annotations

from typing import Any

import numpy as np

from emu.bus.chain import update_int
from emu.bus.events import soonest_event
from emu.bus.state import (
    ACK,
    CHAINED_INTERRUPT,
    FAR,
    FETCH,
    IN,
    LOG,
    NO_INTERRUPT,
    OUT,
    OUTPUTS,
)
from emu.logs.lines import (
    EDGES,
    FEW,
    LINE_IEI,
    LINE_IEO,
    LINE_INT,
    LINE_NMI,
    LINE_OUTPUT,
    edge,
)
from emu.logs.waves import note_waves
from emu.native.calls import ADVANCE, call_card
from emu.native.jit import compiled, inlined


@compiled
def note_outputs(m, s):
    """Note the lines between cards that have changed."""
    for k in range(m.line_change_count):
        line = LINE_OUTPUT + m.line_changes[k, 1] * OUTPUTS + m.line_changes[k, 2]
        edge(s, m.line_changes[k, 0] * 2, line, m.line_changes[k, 3])
    m.line_change_count = 0


@compiled
def note_link(m, s, slot, above, own):
    """Note the edges of one card's IEI, at ``above``, and IEO; give the time of IEO's.

    ``own`` is when the card's own requests changed, if they did.
    """
    when = above
    if m.ip[slot] != s.ip[slot] or m.ius[slot] != s.ius[slot]:
        when = own
        s.ip[slot] = m.ip[slot]
        s.ius[slot] = m.ius[slot]
    if m.iei[slot] != s.iei[slot]:
        s.iei[slot] = m.iei[slot]
        edge(s, above, LINE_IEI + slot, m.iei[slot])
    if m.ieo[slot] != s.ieo[slot]:
        s.ieo[slot] = m.ieo[slot]
        edge(s, when, LINE_IEO + slot, m.ieo[slot])
    return when


@compiled
def run_due_events(m, s):
    """Run the events that the coming boundary would run, each at its own time."""
    done = np.int64(-1)
    soonest = soonest_event(m)
    while done < soonest < m.t and s.edges < EDGES - FEW:
        for slot in range(m.slots):
            if m.event_t[slot] <= soonest:
                call_card(m, slot, ADVANCE, soonest, 0)
        if m.irq_dirty == 1:
            update_int(m)
        when = soonest * 2
        if m.int_line != s.int_line:
            s.int_line = m.int_line
            edge(s, when, LINE_INT, 1 - m.int_line)
        for slot in range(m.slots):
            if m.int_kind[slot] != NO_INTERRUPT:
                note_link(m, s, slot, when, when)
        note_nmi(m, s, 0)
        note_outputs(m, s)
        note_waves(m, s, soonest)
        done = soonest
        soonest = soonest_event(m)


@compiled
def note_nmi(m, s, taken):
    """Note the fall of /NMI; ``taken``: the half T-state in which it was answered, or 0."""
    if taken != 0 and s.nmi == 1:
        s.nmi = 0
        edge(s, taken, LINE_NMI, 1)
    if m.nmi_latch != s.nmi:
        s.nmi = m.nmi_latch
        edge(s, m.nmi_t * 2, LINE_NMI, 1 - m.nmi_latch)


@inlined
def count_retis(m):
    """Count the services that RETI has ended, of all cards."""
    count = np.int64(0)
    for slot in range(m.slots):
        count += m.reti_count[slot]
    return count


@compiled
def before_step(m, s):
    """Remember what the coming steps may change: the last of them alone calls cards."""
    s.retis = count_retis(m)
    for slot in range(m.slots):
        s.due[slot] = m.event_t[slot]


@compiled
def read_cycles(m, s, first):
    """Find when cards were accessed in the step, and when it changed the chain otherwise."""
    ended = count_retis(m) != s.retis
    s.access = m.t - 1
    s.other = m.t * 2
    s.ack = -1
    fetches = 0
    for n in range(first, m.log_pos):
        at = (n & (LOG - 1)) * 2
        kind = (m.log[at + 1] >> 24) & 15
        waits = (m.log[at + 1] >> 28) & 0xFF
        if kind == IN or kind == OUT:
            s.access = m.log[at] + 3 + waits
            s.other = s.access * 2
        elif kind == ACK:
            s.ack = m.log[at] * 2 + 5
            s.other = s.ack
        elif kind == FETCH:
            fetches += 1
            if ended and fetches == 2:
                s.other = (m.log[at] + 2 + waits) * 2
    if m.held_t >= s.start:
        s.access = m.held_t
        s.other = m.held_t * 2


@inlined
def own_time(m, s, slot):
    """Give when a card whose requests changed in the step changed them."""
    if s.ack >= 0 and (m.ius[slot] & ~s.ius[slot]) != 0:
        return s.ack
    return s.due[slot] * 2 if s.due[slot] <= s.access else s.other


@compiled
def note_int(m, s):
    """Note /INT: it falls with the first card that asks, and rises with the last change."""
    falls = np.int64(FAR)
    rises = np.int64(-1)
    for slot in range(m.slots):
        if m.ip[slot] != s.ip[slot] or m.ius[slot] != s.ius[slot]:
            falls = min(falls, own_time(m, s, slot))
            rises = max(rises, own_time(m, s, slot))
    when = falls if m.int_line == 1 else rises
    if rises < 0:
        when = s.other
    s.int_line = m.int_line
    edge(s, when, LINE_INT, 1 - m.int_line)


@compiled
def note_held(m, s):
    """Note an edge of /INT that came before the access which changed it again."""
    due = np.int64(FAR)
    for slot in range(m.slots):
        if m.int_kind[slot] != NO_INTERRUPT:
            due = min(due, s.due[slot])
    s.int_line = m.held_int
    edge(s, min(due, m.held_t) * 2, LINE_INT, 1 - m.held_int)


@compiled
def changed(m, s):
    """Tell whether a line, or what drives it, is not as it was."""
    if m.int_line != s.int_line:
        return 1
    for slot in range(m.slots):
        if (m.ip[slot] != s.ip[slot] or m.ius[slot] != s.ius[slot]
                or m.iei[slot] != s.iei[slot] or m.ieo[slot] != s.ieo[slot]):
            return 1
    return 0


@compiled
def after_step(m, s, first):
    """Note the edges of the step just run, which began at ``s.start``; ``first`` is its first
    entry in the log."""
    note_outputs(m, s)
    if s.waves > 0:
        read_cycles(m, s, first)
        note_waves(m, s, s.access)
    held = m.held_t >= s.start and m.held_int != s.int_line
    if not held and changed(m, s) == 0:
        return
    read_cycles(m, s, first)
    if held:
        note_held(m, s)
    if m.int_line != s.int_line:
        note_int(m, s)
    above = s.other
    for k in range(m.chain_len):
        slot = m.chain[k]
        if slot >= 0:
            above = note_link(m, s, slot, above, own_time(m, s, slot))
    for slot in range(m.slots):
        if m.chained[slot] == 0:
            note_link(m, s, slot, s.other, own_time(m, s, slot))


def chained(m: Any) -> tuple[int, ...]:
    """List the slots that have IEI and IEO, the first of the chain first."""
    order = [int(n) for n in m.chain[:int(m.chain_len)] if n >= 0]
    order += [n for n in range(int(m.slots)) if n not in order]
    return tuple(n for n in order if m.int_kind[n] == CHAINED_INTERRUPT)
