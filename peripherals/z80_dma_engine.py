"""What a Z80 DMA does on the bus: RDY, requests, transfers, searches, the end of a block.

After the Z80 peripherals manual (UM0081, DMA chapter) and the data sheet, from memory: RDY is
looked at with each rising edge of the clock; the one behind it makes /BUSREQ fall.  /BUSACK is
looked at with the next rising edge, and the first cycle begins with the one behind that: two
T-states between the CPU's last and the chip's first cycle.  In byte mode /BUSREQ rises with the
rising edge of the last T-state of the read (search) or write cycle, whatever RDY is; otherwise
with the edge that ends the last cycle: two or three T-states to the CPU's T1 in all.  /BUSREQ
falls for the next byte when /BUSACK has been seen high.
"""
from __future__ import annotations

import numpy as np

from emu.bus.master_cycles import master_read, master_write
from emu.bus.requests import arm_bus, ask_bus, drop_bus, idle_bus, release_bus
from emu.bus.state import FAR
from emu.bus.wires import drive_pulse, source_of
from emu.native.jit import compiled, inlined
from peripherals.z80_dma_state import (
    BOTH_CAUSES,
    BYTE,
    CONTINUOUS,
    END_CAUSE,
    FROM_A,
    MATCH_CAUSE,
    ON_END,
    ON_MATCH,
    ON_READY,
    PULSES,
    READY_CAUSE,
    READY_HIGH,
    RESTART,
    SEARCH,
    STOP_ON_MATCH,
    TRANSFER,
    WAITS,
    A,
    B,
)

DEAD = 2  # T-states between /BUSACK and the first cycle
PULSE_LINE = 0


@inlined
def mode_of(s):
    """Give the mode that WR4 names: 0, 1 or 2; 3 is none."""
    return (s.wr4 >> 5) & 3


@inlined
def source(s):
    """Give the port that is read."""
    return np.int64(A) if (s.wr0 & FROM_A) != 0 else np.int64(B)


@inlined
def moves(s):
    """Tell whether bytes are written, not only searched."""
    return (s.wr0 & TRANSFER) != 0


@compiled
def ready(m, s):
    """Tell whether the chip's ready condition holds: forced, or RDY at its active level."""
    if s.forced == 1:
        return True
    wire = source_of(m, s.slot, np.int64(0))
    level = s.idle_level if wire < 0 else m.line_level[wire >> 8, wire & 255]
    return level == (s.wr5 & READY_HIGH) // READY_HIGH


@compiled
def interrupt(m, s, cause):
    """Ask for an interrupt, if they are enabled."""
    s.cause = cause
    if s.interrupts == 1:
        m.ip[s.slot] |= 1
        m.irq_dirty = 1


@compiled
def look(m, s, t):
    """See RDY as it stands in T-state ``t``, and ask for the bus, or for an interrupt."""
    if not ready(m, s):
        s.told = 0
        if s.asking == 1 and s.holding == 0 and mode_of(s) != CONTINUOUS:
            s.asking = 0
            drop_bus(m, s.slot)
        return
    s.ready_t = t
    if s.enabled == 0 or s.asking == 1 or s.holding == 1:
        return
    if m.ip[s.slot] != 0 or m.ius[s.slot] != 0:
        return
    if (s.control & ON_READY) != 0 and s.told == 0:
        s.told = 1
        interrupt(m, s, np.int64(READY_CAUSE))
        return
    s.asking = 1
    ask_bus(m, s.slot, t + 2)


@compiled
def set_enabled(m, s, on, t):
    """Enable or disable the chip; enabled, it may ask for the bus at any time."""
    if on == 1 and s.enabled == 0:
        s.enabled_t = t
    s.enabled = on
    if on == 0:
        s.look_t = FAR
        m.event_t[s.slot] = FAR
        if s.asking == 1:
            s.asking = 0
            drop_bus(m, s.slot)
    arm_bus(m, s.slot, on)
    if on == 1:
        look(m, s, t)


@compiled
def load(s):
    """Take the start addresses and clear the counter; a fixed destination is not taken."""
    k = source(s)
    s.address[k] = s.start[k]
    other = 1 - k
    if not moves(s) or s.step[other] != 0:
        s.address[other] = s.start[other]
    s.moved = 0
    s.forced = 0


@inlined
def cycle_length(s, k):
    """Give the T-states of a port's cycles."""
    if s.timing[k] < 0:
        return np.int64(4) if s.io[k] == 1 else np.int64(3)
    return max(4 - (s.timing[k] & 3), np.int64(2))


@inlined
def early_ends(s, k):
    """Give the signals of a port that end half a T-state early, as master_cycles.py has them."""
    if s.timing[k] < 0:
        return np.int64(0)
    off = ~s.timing[k]
    return ((off >> 2) & 3) | ((off >> 6) & 3) << 2


@compiled
def count(m, s):
    """Count a byte; tell whether it was the block's last."""
    s.moved += 1
    s.bytes += 1
    s.done = 1
    counter = s.moved - 1
    if (s.control & PULSES) != 0 and (counter & 0xFF) == s.pulse:
        drive_pulse(m, s.slot, np.int64(PULSE_LINE), m.t - 1)
    if s.moved > 1 and (counter & 0xFFFF) == s.length:
        s.ended = 1
        s.blocks += 1
        return True
    return False


@compiled
def move_byte(m, s):
    """Read a byte, compare it, write it; the causes to stop: bit 0 match, bit 1 end of block."""
    k = source(s)
    waited = np.int64(1) if (s.wr5 & WAITS) != 0 and s.waitable == 1 else np.int64(0)
    byte = master_read(m, s.io[k], s.address[k], cycle_length(s, k), early_ends(s, k), waited)
    s.address[k] = (s.address[k] + s.step[k]) & 0xFFFF
    if moves(s):
        k = 1 - k
        master_write(m, s.slot, s.io[k], s.address[k], byte, cycle_length(s, k),
                     early_ends(s, k), waited)
        s.address[k] = (s.address[k] + s.step[k]) & 0xFFFF
    causes = np.int64(0)
    if (s.wr0 & SEARCH) != 0 and (byte | s.mask) == (s.match | s.mask):
        s.found = 1
        causes = np.int64(1)
    if count(m, s):
        causes |= 2
    return causes


@compiled
def let_go(m, s, when):
    """Give the bus back: /BUSREQ rises with T-state ``when``; look at RDY when /BUSACK has."""
    s.holding = 0
    release_bus(m, s.slot, when)
    if s.enabled == 1:
        s.look_t = when + 1
        m.event_t[s.slot] = s.look_t


@compiled
def finish(m, s, causes):
    """Do what a match and the end of a block bring; tell whether the bus is given back."""
    stops = (causes & 1) != 0 and (s.wr3 & STOP_ON_MATCH) != 0
    asks = ((causes & 1) != 0 and (s.control & ON_MATCH) != 0
            or (causes & 2) != 0 and (s.control & ON_END) != 0)
    if (causes & 2) != 0:
        if (s.wr5 & RESTART) != 0:
            forced = s.forced
            load(s)
            s.forced = forced
        else:
            stops = True
    if stops:
        s.enabled = 0
        s.forced = 0
    if asks:
        both = s.found == 1 and s.ended == 1 and causes == 3
        interrupt(m, s, np.int64(BOTH_CAUSES if both else
                                 MATCH_CAUSE if (causes & 1) != 0 else END_CAUSE))
    return stops or (asks and s.interrupts == 1)


@compiled
def work(m, s, t):
    """Do one step with the bus."""
    if s.holding == 0:
        s.asking = 0
        s.holding = 1
        s.holding_t = t
        m.t += DEAD
        return
    if s.enabled == 0:  # it has written to itself
        let_go(m, s, t)
        return
    if not ready(m, s):
        if mode_of(s) == CONTINUOUS:
            idle_bus(m)
        else:
            let_go(m, s, t)
        return
    s.ready_t = t
    over = finish(m, s, move_byte(m, s))
    if mode_of(s) == BYTE:
        let_go(m, s, m.t - 1)
    elif over:
        let_go(m, s, m.t)
    if s.enabled == 0:
        arm_bus(m, s.slot, 0)
