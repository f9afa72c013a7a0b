"""What happens between instructions: events, stops, HALT, NMI and INT.

The chip samples /INT and the NMI latch at the rising edge of an instruction's last
T-state (UM0080 p.12-13), so at a boundary at time t an event counts when it fell at
t - 1 or before.  Lengths, acknowledge included (UM0080 p.12-19):

    NMI         11 = 5,3,3          opcode discarded, PC pushed, PC = 0066h
    INT mode 0  13 with RST = 7,3,3 (the opcode comes from the bus, two waits)
                operand bytes and a prefixed opcode are ordinary reads at PC, which stands:
                memory answers them, or a card that puts whole instructions on the bus
                (from memory: no maker's text was found)
    INT mode 1  13 = 7,3,3          PC = 0038h
    INT mode 2  19 = 7,3,3,3,3      pointer at I * 256 + vector, bit 0 as it comes
"""
from __future__ import annotations

import numpy as np

from emu.bus.chain import acknowledge
from emu.bus.cycles import (
    floating,
    m1,
    m1_first,
    push,
    rd,
    read_fully,
)
from emu.bus.events import catch_up
from emu.bus.faulty_bus import is_held, noisy_nmi, vector_byte
from emu.bus.log import log_cycle
from emu.bus.memory import refresh_map
from emu.bus.requests import (
    INT_RESPONSE,
    NMI_RESPONSE,
    bus_away,
    keep,
    ran,
    skipped,
    watch_or_rest,
)
from emu.bus.rows import ASKED, SAMPLED, before_step, card_called, note_row
from emu.bus.state import (
    ACK,
    HALTED,
    LOG,
    LOG_FULL,
    NMI_FETCH,
    NOBODY,
    STOP_ACK,
    STOP_INT,
    F,
)
from emu.bus.stops import FETCHED, leave, stop_on
from emu.bus.waiting import IDLE_OVER, cycle_done, idle_held, logged_waits, wait_found
from emu.native.jit import compiled


@compiled
def count_rst38(m):
    """Count FFh executed: what empty memory and undriven buses read as."""
    if m.cycles_kept != 0:  # an instruction that goes on, behind its fetch
        return
    if m.rst38_count == 0:
        m.rst38_first_t = m.t
        m.rst38_first_pc = m.pc
    m.rst38_count += 1


@compiled
def next_event(m, soonest):
    """Give the time of the next thing to look at: an event is sampled one T-state later."""
    if m.noise_every > 0:
        soonest = min(soonest, m.noise_t)
    if m.held != 0:
        soonest = min(soonest, m.held_from - 1)
    return min(soonest + 1, m.t_stop)


@compiled
def sampled_int(m):
    """Give /INT as the chip sampled it: an access in the last cycle came too late."""
    if m.held_t == m.t - 1:
        return m.held_int
    return m.int_line


@compiled
def forget_last(m):
    """Forget what only the instruction just run could mean."""
    m.after_ei = 0
    m.after_ld_air = 0


@compiled
def take_nmi(m):
    """Accept NMI."""
    m.halted = 0
    m.iff1 = 0
    page = m.pc >> 12
    if m.bus_watch == 0 or (skipped(m, m.t) < 0
                            and wait_found(m, m.t + 1 + m.wait_m1[page], np.int64(NMI_FETCH),
                                           m.pc) == 0):
        m.nmi_latch = 0
        m.nmi_count += 1
        m.nmi_last = m.t
        if m.slow_read[page] == 1:
            read_fully(m, m.pc, NMI_FETCH)
        if m.bus_watch == 1:
            ran(m, m.t + 5 + m.wait_m1[page], NMI_FETCH, 0)
            cycle_done(m)
    m.refresh += 1
    m.t = push(m, m.t + 5 + m.wait_m1[page], m.pc, m.pc)
    m.pc = 0x66
    m.wz = 0x66


@compiled
def acknowledge_cycle(m, internal):
    """Run the acknowledge machine cycle: M1 with IORQ and two waits; the byte read."""
    length = 6 + m.cpu_wait_io + internal
    if m.bus_watch == 1:
        known = skipped(m, m.t)
        if known < 0 and wait_found(
                m, m.t + 3 + m.cpu_wait_io, np.int64(ACK), m.pc) == 1:
            known = np.int64(0)
        if known >= 0:
            m.t += length
            m.refresh += 1
            m.bus_driver = known >> 8
            return known & 0xFF
    stop_on(m, STOP_INT, m.pc, 0)
    vector = acknowledge(m)
    m.ack_count += 1
    m.ack_last = m.t
    if vector < 0:
        vector = floating(m)
        if m.im != 1:  # in mode 1 nobody has to answer
            if m.ack_empty == 0:
                m.ack_empty_first_t = m.t
            m.ack_empty += 1
            m.ack_empty_pc = m.pc
        m.bus_driver = NOBODY
    elif m.fault_count > 0:
        vector = vector_byte(m, m.bus_driver - 1, vector)
    m.bus_byte = vector
    if m.logging == 1:
        log_cycle(m, m.t - m.stretch, ACK, m.pc, vector, logged_waits(m, 2 + m.cpu_wait_io),
                  m.bus_driver)
    stop_on(m, STOP_ACK, vector, vector)
    if m.im == 2:
        m.vector_count[vector] += 1
    m.t += length
    m.refresh += 1
    if m.bus_watch == 1:
        ran(m, m.t, ACK, vector | m.bus_driver << 8)
        cycle_done(m)
    return vector


@compiled
def take_int(m):
    """Accept INT; mode 0 gives the opcode to run, else -1."""
    m.halted = 0
    m.iff1 = 0
    m.iff2 = 0
    if m.after_ld_air == 1 and m.cmos == 0:
        m.r[F] &= ~4
    if m.im == 0:
        opcode = acknowledge_cycle(m, 0)
        if (opcode & 0xC7) != 0xC7:  # any but RST may have more bytes
            slot = m.bus_driver - 1
            supplier = slot + 1 if 0 <= slot < m.slots and m.supplies[slot] == 1 else np.int64(0)
            m.ack_bytes = supplier << 8 | 1
            refresh_map(m)
        return opcode
    vector = acknowledge_cycle(m, 1)
    m.t = push(m, m.t, m.pc, m.pc)
    if m.im == 1:
        m.pc = 0x38
    else:
        pointer = m.i << 8 | vector
        low, t = rd(m, m.t, m.pc, pointer)
        high, m.t = rd(m, t, m.pc, (pointer + 1) & 0xFFFF)
        m.pc = low | high << 8
    m.wz = m.pc
    return np.int64(-1)


@compiled
def log_halt(m, length):
    """Run and log HALT's fetches from plain memory until something has to be looked at."""
    page = m.pc >> 12
    byte = np.int64(m.phys[m.read_base_true[page] + (m.pc & 0xFFF)])
    word = (m.pc | byte << 16 | HALTED << 24 | m.wait_m1[page] << 28 | m.owner[page] << 36
            | m.refresh_high << 44)
    t = m.t
    until = max(m.next_event, t + 1)
    refresh = m.refresh
    entry = m.log_pos
    limit = m.log_limit
    while t < until and entry < limit:
        if m.sampling == SAMPLED:
            m.refresh = refresh
            m.log_pos = entry
            note_row(m, t, m.pc)
            until = min(until, max(m.next_event, t + 1))
        at = (entry & (LOG - 1)) * 2
        m.log[at] = t
        m.log[at + 1] = word | (refresh & 0x7F) << 44
        entry += 1
        refresh += 1
        t += length
    m.t = t
    m.refresh = refresh
    m.log_pos = entry
    if entry >= limit:
        leave(m, LOG_FULL)


@compiled
def idle_in_halt(m):
    """Run HALT's no-operation fetches until something has to be looked at."""
    page = m.pc >> 12
    length = 4 + m.wait_m1[page]
    if (m.log_only == 1 and m.sampling != ASKED and m.read_base_true[page] >= 0
            and m.log_pos < m.log_limit):
        log_halt(m, length)
        return
    plain = m.plain_aside == 1 and m.logging + m.sampling == 0 and m.read_base_true[page] >= 0
    if m.slow_read[page] == 1 and not (plain and (m.stop_map[m.pc] & FETCHED) == 0):
        while True:
            if m.sampling != 0 and before_step(m, m.t, m.pc) == 0:
                return
            read_fully(m, m.pc, HALTED)
            m.t += length
            m.refresh += 1
            if m.t >= m.next_event:  # a stop, the log or the read itself may set it to 0
                return
    count = max((m.next_event - m.t + length - 1) // length, 1)
    m.t += count * length
    m.refresh += count


@compiled
def service(m):
    """Look around at an instruction boundary.

    Returns the next opcode, fetched, or -1 to leave run().
    """
    if m.void == 1:
        m.instructions -= 1  # the run loop has counted the void pass
        if bus_away(m) == 1:
            return np.int64(-1)
    if m.ack_bytes > 0 and m.prefix == 0:
        m.ack_bytes = 0
        refresh_map(m)
    while True:
        if m.bus_watch + m.bus_armed != 0 and bus_away(m) == 1:
            return np.int64(-1)
        if m.t >= m.t_stop or m.exit_reason != 0:  # also between a response and its handler
            return np.int64(-1)
        if is_held(m):
            m.t = m.t_stop
            catch_up(m, m.t - 1)
            return np.int64(-1)
        soonest = catch_up(m, m.t - 1)
        if m.exit_reason != 0:  # an event asked to leave: nothing has been decided yet
            return np.int64(-1)
        if m.noise_every > 0:
            noisy_nmi(m)
        after_ei = m.after_ei
        after_ld_air = m.after_ld_air
        again = 0
        opcode = np.int64(-1)
        response = m.resume
        # none between a prefix and its opcode, nor inside a stretched idle fetch
        if response == 0 and m.prefix == 0 and m.wait_state != IDLE_OVER:
            if m.nmi_latch == 1 and m.nmi_t < m.t:
                response = np.int64(NMI_RESPONSE)
            elif sampled_int(m) == 1 and m.iff1 == 1 and m.after_ei == 0:
                response = np.int64(INT_RESPONSE)
        late = m.after_ei == 1 or m.held_t == m.t - 1
        if m.bus_armed != 0:
            soonest = watch_or_rest(m, soonest)
        if m.bus_watch == 1:
            keep(m, response)
        if m.prefix != 0:
            again = 1
        else:
            if response != 0 and m.sampling != 0:
                if before_step(m, m.t, m.pc) == 0:
                    return np.int64(-1)
                card_called(m)
            if response == NMI_RESPONSE:
                take_nmi(m)
                m.q = 0
                forget_last(m)
                continue  # the lines are looked at again before the handler begins
            if response == INT_RESPONSE:
                opcode = take_int(m)
                m.q = 0
                if opcode < 0:
                    forget_last(m)
                    continue
                again = 1
            elif late or m.bus_watch == 1:
                again = 1
            forget_last(m)
        m.next_event = np.int64(0) if again == 1 else next_event(m, soonest)
        if m.nmi_latch == 1 or m.exit_reason != 0:
            m.next_event = 0
        if opcode >= 0:
            return opcode
        if m.halted == 0:
            if m.prefix != 0:
                if m.sampling == SAMPLED:
                    note_row(m, m.t, m.pc)
                opcode, m.t, m.pc = m1(m, m.t, m.pc)
                return opcode
            opcode, m.t, m.pc = m1_first(m, m.t, m.pc)
            if opcode < 0:  # a stop stands before it: nothing has been done yet
                m.after_ei = after_ei
                m.after_ld_air = after_ld_air
            return opcode
        if m.wait_wires == 0 or m.bus_watch == 0 or idle_held(m, 1 + m.wait_m1[m.pc >> 12]) == 0:
            idle_in_halt(m)
