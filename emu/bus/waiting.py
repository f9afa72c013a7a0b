"""/WAIT that cards pull by a wire: a bus cycle goes on until it is high, to the T-state.

The CPU samples /WAIT with the falling edge of T2 (ports: of the automatic Tw; acknowledge: of
the second one) and of each Tw behind (UM0080 p.8-13).  A level that changes with a T-state is
seen in that T-state.

A cycle is found held when it is under watch (emu/bus/requests.py).  The rest of the
instruction is void then, and the run stands between two bus cycles while `wait` lets the
cards' events happen one by one.  When /WAIT is high the instruction begins anew, later by
the wait states it got, and the cycle that they belong to is run and logged with them.

Only machines in which a wire ends at the CPU card's input know of it; the watch rests there
while no card that leads to that input has an event soon.
"""
from __future__ import annotations

from typing import Any

import numpy as np

from emu.bus.events import catch_up, soonest_event
from emu.bus.state import FAR, HALTED
from emu.native.calls import SELECT, call_card
from emu.native.jit import compiled, inlined

SELECT_WRITE = 1 << 8  # flag in a SELECT call

# Values of m.wait_state.
HELD, OVER = 1, 2  # a cycle is held; it is done next, the wait being over
IDLE_HELD, IDLE_OVER = 3, 4  # the same of an idle fetch in HALT
MOST_LOGGED = 255  # wait states that a log entry has room for


@compiled
def wait_found(m, sample, kind, address):
    """Tell whether a watched cycle that samples /WAIT in T-state ``sample`` has to wait.

    The rest of the instruction is void then.
    """
    if m.wait_wires == 0 or m.wait_state == OVER or m.kept_valid == 0:
        return 0
    catch_up(m, sample)
    if m.wait_low == 0:
        return 0
    m.void = 1
    m.cycles_kept = m.cycles_run
    m.next_event = 0
    m.wait_state = HELD
    m.wait_kind = kind
    m.wait_address = address
    m.wait_from = sample
    m.wait_t = sample
    return 1


@compiled
def select(m, port, flag, when):
    """Tell the cards at a port that they are chosen from T-state ``when`` on."""
    if m.wait_wires == 0 or m.wait_state == OVER or m.kept_valid == 0:
        return
    catch_up(m, when)
    slot = m.port_slot[port & 0xFF]
    if slot >= 0:
        call_card(m, slot, SELECT, m.port_reg[port & 0xFF] | flag | port << 16, when)
    elif slot == -2:
        for row in range(m.decode_count):
            if (port & m.decodes[row, 0]) == m.decodes[row, 1]:
                call_card(m, m.decodes[row, 2], SELECT,
                          m.decodes[row, 3] | flag | port << 16, when)


@inlined
def cycle_done(m):
    """Say that the cycle under way has been run."""
    if m.wait_state == OVER and m.kept_valid == 1:
        m.wait_state = 0
        m.stretch = 0


@compiled
def wait(m):
    """Let time pass while /WAIT holds a cycle; 1 when run() has to be left meanwhile."""
    while True:
        catch_up(m, m.wait_t)
        if m.wait_low == 0:
            break
        if m.wait_t >= m.t_stop or m.exit_reason != 0:
            m.t = m.wait_t
            return 1
        m.wait_t = max(min(soonest_event(m), m.t_stop), m.wait_t + 1)
    m.t = m.wait_t
    lost = m.wait_t - m.wait_from
    if m.wait_state == HELD:
        m.stretch = lost
        m.cycle_end += lost
        m.kept_t += lost
        m.wait_state = OVER
    else:
        m.wait_state = IDLE_OVER
    return 0


@compiled
def idle_held(m, lag):
    """Tell whether /WAIT holds the idle fetch of HALT that begins now, sampled ``lag`` on."""
    if m.wait_state == IDLE_OVER:
        m.wait_state = 0
        m.t = m.wait_t - lag
        return 0
    catch_up(m, m.t + lag)
    if m.wait_low == 0:
        return 0
    m.wait_state = IDLE_HELD
    m.wait_kind = HALTED
    m.wait_address = m.pc
    m.wait_from = m.t + lag
    m.wait_t = m.t + lag
    return 1


@inlined
def logged_waits(m, waits):
    """Give the wait states of the cycle under way, as far as a log entry can hold them."""
    return min(waits + m.stretch, np.int64(MOST_LOGGED))


def held_until(m: Any) -> int:
    """Give the T-state to which a run has to go on for a held cycle to go on; FAR when none is
    held, or nothing that the cards do will end it."""
    if not int(m.wait_state):
        return FAR
    if not int(m.wait_low):
        return int(m.t) + 1
    soonest = int(np.min(m.event_t))
    return max(soonest, int(m.t) + 1) if soonest < FAR else FAR
