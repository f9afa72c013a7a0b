"""Bus requests: a card takes the bus from the CPU between two machine cycles.

The CPU samples /BUSREQ with the rising edge of the last T-state of every machine cycle; when
it is low, the CPU lets address, data and control lines float with the next rising edge and
/BUSACK falls (UM0080, "Bus Request/Acknowledge").  Refresh stops, no interrupt is accepted.
The CPU samples /BUSREQ again with each rising edge: when it is high, /BUSACK rises with the
T-state's falling edge, and T1 of what it was about to do follows.

    card    ask_bus, then ``master`` is called until it says release_bus; while it waits for
            nothing but an event, idle_bus
    CPU     keep (an instruction begins), skipped and ran (around each bus cycle), bus_away

An instruction is one stretch of machine code and cannot be left halfway.  So when a cycle
inside it has to wait for a card, its rest runs without any effect (``void``), the CPU's
registers are put back to how they were when it began, and the run stands between two bus
cycles like anywhere else: it can be left, saved and brought back.  When the bus is back, the
instruction begins anew; the cycles that it had made are not made again, but give what they
gave.  Its time is shifted so that the next cycle begins where the bus came back.

All this is done only while ``bus_watch`` is set, which sends every cycle through the slow
path.  A card sets it with arm_bus, before it may ask.  Where nothing can make a card ask
before the next instruction has ended, the watch rests (`watch_or_rest`): no event falls due of
it or of a card whose lines lead to it, none of them interrupts, no card answers in memory.
What is left are accesses to ports: they are an instruction's last cycle, but in block input and
output, which begin anew under watch.  Where /WAIT is wired every access to a port does so.
"""
from __future__ import annotations

import numpy as np

from emu.bus.events import catch_up, soonest_event
from emu.bus.log import log_word
from emu.bus.memory import refresh_map
from emu.bus.state import (
    BUS_BACK,
    BUS_GIVEN,
    CALL,
    FAR,
    FETCH,
    LOG_FULL,
    PAGES,
    SEVERAL,
    SLOTS,
    WRITE,
)
from emu.bus.stops import leave
from emu.bus.waiting import HELD, IDLE_HELD, OVER, wait
from emu.native.calls import MASTER, call_card
from emu.native.jit import compiled

# What was under way when the bus was given away.
CODE, INT_RESPONSE, NMI_RESPONSE = 1, 2, 3


# --- what a card calls ---------------------------------------------------------------
@compiled
def set_watch(m, on):
    """Watch every machine cycle (1), or none (0)."""
    if on == m.bus_watch:
        return
    m.bus_watch = on
    m.kept_valid = 0
    m.cycles_run = 0
    m.cycles_kept = 0
    m.next_event = 0
    refresh_map(m)


@compiled
def watch_bus(m):
    """Watch every machine cycle, or none, as the cards' requests have it."""
    if m.bus_asked != 0 or m.bus_owner != 0 or m.resume != 0:
        set_watch(m, 1)
    elif m.bus_armed == 0:
        set_watch(m, 0)


@compiled
def note_reach(m):
    """Note which cards can make an armed one ask: itself, and those whose lines lead there."""
    reach = m.bus_armed
    for _ in range(SLOTS):
        for wire in range(m.wire_count):
            if (reach >> m.wires[wire, 2]) & 1 == 1:
                reach |= np.int64(1) << m.wires[wire, 0]
    m.bus_reach = reach


@compiled
def arm_bus(m, slot, on):
    """Say that a card may ask for the bus at any time (1), or will not (0)."""
    bit = np.int64(1) << slot
    m.bus_armed = m.bus_armed | bit if on == 1 else m.bus_armed & ~bit
    note_reach(m)
    if on == 1:
        set_watch(m, 1)
    else:
        watch_bus(m)


@compiled
def ask_bus(m, slot, when):
    """Pull /BUSREQ low with the rising edge of T-state ``when``."""
    if m.bus_asked == 0:
        m.bus_asked_t = when
    m.bus_asked |= np.int64(1) << slot
    watch_bus(m)


@compiled
def drop_bus(m, slot):
    """Take back a request that the CPU has not answered yet."""
    m.bus_asked &= ~(np.int64(1) << slot)
    watch_bus(m)


@compiled
def release_bus(m, slot, when):
    """Let /BUSREQ rise with the rising edge of T-state ``when``: the CPU goes on in when + 2.

    Called in ``master`` only, behind the last bus cycle.
    """
    note(m, when, BUS_BACK, slot, 0)
    m.bus_owner = 0
    m.t = max(m.t, when + 2)
    if m.bus_asked != 0:
        m.bus_asked_t = max(m.bus_asked_t, when + 1)


@compiled
def idle_bus(m):
    """Keep the bus, do nothing, and go on to where something may have changed."""
    m.t = max(min(soonest_event(m) + 1, m.t_stop), m.t + 1)


# --- when the watch rests ------------------------------------------------------------
@compiled
def longest(m):
    """Give more T-states than any instruction takes, wait states included."""
    waits = np.int64(m.cpu_wait_io)
    for page in range(PAGES):
        waits = max(waits, m.wait_m1[page], m.wait_mem[page])
    for slot in range(m.slots):
        waits = max(waits, m.cpu_wait_io + m.slot_wait_io[slot])
    return 32 + 8 * waits


@compiled
def only_ports(m):
    """Tell whether cards can be called by ports alone within the next instruction.

    Logs and stops would see twice what begins anew.
    """
    if m.logging + m.sampling + m.stop_kinds != 0:
        return False
    for page in range(PAGES):
        if (m.read_base_true[page] == CALL or m.read_base_true[page] == SEVERAL
                or m.write_base_true[page] == CALL or m.write_base_true[page] == SEVERAL):
            return False
    return True


@compiled
def watch_or_rest(m, soonest):
    """Let the watch rest before an instruction or a response, or take it up again; the time up
    to which nothing has to be looked at if the next event of any card is at ``soonest``."""
    busy = m.bus_asked | m.bus_owner | m.resume | m.prefix | m.after_ei  # see begin_watched
    busy |= m.wait_low | m.wait_state
    before = np.int64(FAR)
    for slot in range(m.slots):
        if (m.bus_reach >> slot) & 1 == 1:
            busy |= m.ip[slot] | m.ius[slot]  # an acknowledge and RETI may make it ask
            before = min(before, m.event_t[slot])
    before -= longest(m)
    if busy == 0 and before > m.t and only_ports(m):
        set_watch(m, 0)
        return min(before, soonest)
    set_watch(m, 1)
    return soonest


@compiled
def begin_watched(m, fetches):
    """Go back to before an instruction of which so many opcode bytes have been fetched, and no
    more been done, and take up the watch; what was decided before it (no interrupt) holds."""
    for _ in range(fetches):
        m.pc = (m.pc - 1) & 0xFFFF
        m.t -= 4 + m.wait_m1[m.pc >> 12]
        m.refresh -= 1
    m.instructions -= 1
    m.after_ei = 1
    set_watch(m, 1)


# --- what the CPU does ---------------------------------------------------------------
@compiled
def note(m, when, kind, slot, since):
    """Log a moment of the bus, with PC as its address; ``since``: T-states since /BUSREQ fell."""
    if m.logging == 1:
        log_word(m, when, m.pc | kind << 24 | (slot + 1) << 36
                 | min(since, np.int64(0xFFFF)) << 44)
        if m.log_pos >= m.log_limit:
            leave(m, LOG_FULL)


@compiled
def keep(m, what):
    """Note the CPU as it stands before an instruction or a response; begin one anew in its
    own time if the bus was away in it."""
    if m.resume != 0:
        m.resume = 0
        m.t = m.kept_t
    else:
        m.cycles_kept = 0
        m.kept_t = m.t
    m.cycles_run = 0
    m.kept_what = what if what != 0 else np.int64(CODE)
    m.kept_valid = 1
    for k in range(16):
        m.kept_r[k] = m.r[k]
    for k in range(8):
        m.kept_alt[k] = m.alt[k]
    m.kept_numbers[0] = m.pc
    m.kept_numbers[1] = m.sp
    m.kept_numbers[2] = m.i
    m.kept_numbers[3] = m.refresh
    m.kept_numbers[4] = m.refresh_high
    m.kept_numbers[5] = m.iff1
    m.kept_numbers[6] = m.iff2
    m.kept_numbers[7] = m.im
    m.kept_numbers[8] = m.halted
    m.kept_numbers[9] = m.wz
    m.kept_numbers[10] = m.q
    m.kept_numbers[11] = m.after_ei
    m.kept_numbers[12] = m.after_ld_air
    m.kept_numbers[13] = m.prefix
    m.kept_numbers[14] = m.ack_bytes


@compiled
def put_back(m):
    """Bring back the CPU as `keep` noted it."""
    for k in range(16):
        m.r[k] = m.kept_r[k]
    for k in range(8):
        m.alt[k] = m.kept_alt[k]
    m.pc = m.kept_numbers[0]
    m.sp = m.kept_numbers[1]
    m.i = m.kept_numbers[2]
    m.refresh = m.kept_numbers[3]
    m.refresh_high = m.kept_numbers[4]
    m.iff1 = m.kept_numbers[5]
    m.iff2 = m.kept_numbers[6]
    m.im = m.kept_numbers[7]
    m.halted = m.kept_numbers[8]
    m.wz = m.kept_numbers[9]
    m.q = m.kept_numbers[10]
    m.after_ei = m.kept_numbers[11]
    m.after_ld_air = m.kept_numbers[12]
    m.prefix = m.kept_numbers[13]
    m.ack_bytes = m.kept_numbers[14]
    refresh_map(m)


@compiled
def skipped(m, t):
    """Say what a watched bus cycle at ``t`` reads without being run; -1: run it."""
    if m.void == 1:
        return np.int64(0)
    if m.cycles_run < m.cycles_kept:
        value = m.cycle_value[m.cycles_run & 15]
        m.cycles_run += 1
        return np.int64(value)
    if (m.kept_valid == 1 and m.cycles_run > 0 and m.wait_state != OVER
            and given(m, t) == 1):
        m.void = 1
        m.cycles_kept = m.cycles_run
        m.next_event = 0
        return np.int64(0)
    return np.int64(-1)


@compiled
def ran(m, end, kind, value):
    """Note a watched bus cycle that has been run: its end, its kind, and what it read."""
    m.cycle_value[m.cycles_run & 15] = value
    m.cycles_run += 1
    m.cycle_end = end
    m.cycle_kind = kind


@compiled
def first_boundary(m, t):
    """Give where the machine cycle of the last bus cycle ends; the next one begins at ``t``.

    Up to three T-states behind a bus cycle belong to its machine cycle; a longer stretch is a
    machine cycle of its own, or two (UM0080, the instructions' machine cycles: 4,4,3,5,5).
    """
    if m.cycles_run == 0:
        return np.int64(t)
    gap = t - m.cycle_end
    if gap <= 3:
        return np.int64(t)
    return m.cycle_end + (2 if gap == 7 and m.cycle_kind == WRITE else 0)


@compiled
def given(m, t):
    """Tell whether the CPU gives the bus away before ``t``, where it would go on; when is in
    ``bus_given_t``."""
    boundary = first_boundary(m, t)
    while True:
        if boundary > m.bus_back_t:
            catch_up(m, boundary - 1)
            if m.bus_asked != 0 and m.bus_asked_t <= boundary - 2:
                m.bus_given_t = boundary
                return 1
        if boundary >= t:
            return 0
        boundary = min(boundary + (4 if m.cycle_kind == FETCH else 5), t)


@compiled
def give(m):
    """Give the bus to the first card that asks; the first slot has priority."""
    slot = np.int64(0)
    while (m.bus_asked >> slot) & 1 == 0:
        slot += 1
    m.bus_asked &= ~(np.int64(1) << slot)
    m.bus_owner = slot + 1
    m.t = m.bus_given_t
    note(m, m.t, BUS_GIVEN, slot, m.t - m.bus_asked_t)


@compiled
def hold(m):
    """Let the card that has the bus do its work; 1 when run() has to be left meanwhile."""
    while m.bus_owner != 0:
        if m.t >= m.t_stop or m.exit_reason != 0:
            return 1
        catch_up(m, m.t - 1)
        if m.exit_reason != 0:
            return 1
        m.next_event = 0
        call_card(m, m.bus_owner - 1, MASTER, m.t, 0)
    lost = m.t - m.bus_given_t
    m.cycle_end += lost
    m.kept_t += lost
    m.bus_back_t = m.t
    m.t += m.bus_rest
    m.bus_rest = 0
    return 0


@compiled
def bus_away(m):
    """Let cards have the bus at the boundary where the CPU stands; 1 when run() has to be left.

    Called while the bus is watched, between instructions and, when the last one is void, for
    the boundary inside it.
    """
    if m.void == 1:
        m.void = 0
        put_back(m)
        m.resume = m.kept_what
        if m.wait_state != HELD:
            give(m)
    if (m.wait_state == HELD or m.wait_state == IDLE_HELD) and wait(m) == 1:
        return 1
    while True:
        if m.bus_owner == 0:
            if m.resume != 0 or given(m, m.t) == 0:
                break
            m.bus_rest = m.t - m.bus_given_t
            give(m)
        if hold(m) == 1:
            return 1
    watch_bus(m)
    return 0
