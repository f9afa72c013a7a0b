"""The two lines of an I2C bus: START, STOP, bits, acknowledges, stretching.

UM10204: both lines are open drain; SDA moves while SCL is low, and says START or STOP while it
is high; the ninth clock acknowledges.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import FAR
from emu.bus.wires import drive_level
from emu.native.jit import compiled, inlined
from peripherals.i2c_bus_devices import called, clock_register, get, memory_stop, put
from peripherals.i2c_bus_state import (
    ADDRESS,
    FREE,
    GIVE,
    MEMORY,
    NOBODY,
    SCL,
    SDA,
    SENSOR,
    TAKE,
    settle,
)


@compiled
def start(s, t):
    """See START: everybody listens for an address; the clock takes down the time."""
    if s.way != FREE and s.bits > 1 and s.bits < 9:
        s.astray += 1
    s.dropped += s.pending
    s.pending = 0
    s.starts += 1
    s.lost_starts = 0
    s.start_t = t
    s.way = ADDRESS
    s.who = NOBODY
    s.bits = 0
    s.shift = 0
    s.pull = 0
    for k in range(7):
        s.moment[k] = clock_register(s, np.int64(k))


@compiled
def stop(m, s, t):
    """See STOP: a memory begins to write what came whole."""
    if s.way != FREE and s.bits > 1 and s.bits < 9:
        s.astray += 1
        s.dropped += s.pending
        s.pending = 0
    s.stops += 1
    s.lost_starts = 0
    if s.who == MEMORY and s.way == TAKE:
        memory_stop(m, s, t)
    s.way = FREE
    s.who = NOBODY
    s.pull = 0


@compiled
def scl_up(s):
    """See SCL rise: a bit is on the line."""
    if s.way == FREE or s.bits > 8:
        return
    if s.bits < 8 and s.way != GIVE:
        s.shift = (s.shift << 1 | s.sda) & 0xFF
    elif s.bits == 8 and s.way == GIVE:
        s.acked = 1 - s.sda
    s.bits += 1


@compiled
def byte_over(m, s, t):
    """See the fall behind the eighth bit: the receiver acknowledges."""
    if s.way == GIVE:
        s.pull = 0
        return
    if s.way == ADDRESS:
        s.who = called(s, s.shift, t)
        s.acked = 1 if s.who != NOBODY else 0
        s.place = 0
    else:
        put(m, s, s.shift, t)
        s.acked = 1
    s.pull = s.acked


@compiled
def acknowledged(m, s, t):
    """See the fall behind the ninth clock: the next byte, or none."""
    s.pull = 0
    s.bits = 0
    if s.acked == 0:
        s.way = FREE
        return
    if s.way == ADDRESS:
        s.way = GIVE if (s.shift & 1) == 1 else TAKE
        s.sensor_at = -1
    s.shift = 0
    if s.way == GIVE:
        s.given = get(s)
    if s.who == SENSOR and s.stretch > 0:
        s.stretch_t = t + s.stretch
        settle(m, s)


@compiled
def scl_down(m, s, t):
    """See SCL fall: devices move SDA."""
    if s.way == FREE:
        return
    if s.bits == 8:
        byte_over(m, s, t)
    elif s.bits == 9:
        acknowledged(m, s, t)
    if s.way == GIVE and s.bits < 8:
        s.pull = 1 - ((s.given >> (7 - s.bits)) & 1)


@inlined
def note_short(s, t):
    """Count a pulse of SCL that was too short for the slowest device."""
    if s.short == 0:
        s.short_t = t
    s.short += 1


@compiled
def set_scl(m, s, t):
    """Work out SCL and see its edge."""
    level = s.master_scl
    if s.stretch_t != FAR or (s.stuck & 2) != 0:
        level = np.int64(0)
    if level == s.scl:
        return
    if level == 1:
        short = t - s.fall_t < s.low_min
        s.rise_t = t
    else:
        short = t - s.rise_t < s.high_min
        s.fall_t = t
    s.scl = level
    drive_level(m, s.slot, np.int64(SCL), level, t)
    if short and s.starts > 0:
        note_short(s, t)
        if s.strict == 1:
            return
    if level == 1:
        scl_up(s)
    else:
        scl_down(m, s, t)


@compiled
def set_sda(m, s, t):
    """Work out SDA and see START and STOP."""
    level = s.master_sda & (1 - s.pull)
    if s.push == 1 and s.master_sda == 1 and s.pull == 1:
        if s.fights == 0:
            s.fight_t = t
        s.fights += 1
        level = np.int64(1)
    if (s.stuck & 1) != 0:
        level = np.int64(0)
    if level == s.sda:
        return
    s.sda = level
    drive_level(m, s.slot, np.int64(SDA), level, t)
    if s.scl == 1:
        if level == 0:
            start(s, t)
        else:
            stop(m, s, t)
        if s.pull == 1:
            s.pull = 0


@compiled
def host_scl(m, s, level, t):
    """Let the host move SCL; a device may keep it low."""
    if level == s.master_scl:
        return
    if level == 0 and s.scl == 0:  # it let SCL go, and pulls it again before it rose
        if s.lost_clocks == 0:
            s.clock_lost_t = t
        s.lost_clocks += 1
    s.low_reads = 0
    s.master_scl = level
    set_scl(m, s, t)
    set_sda(m, s, t)


@compiled
def host_sda(m, s, level, t):
    """Let the host move SDA; a device may keep it low."""
    if level == s.master_sda:
        return
    s.master_sda = level
    if level == 0 and s.scl == 1 and s.sda == 0:
        s.lost_starts += 1
        s.lost_t = t
    set_sda(m, s, t)
