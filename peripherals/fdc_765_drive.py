"""Drives: motor, rotation, index, stepping, and what the controller's pins show of them.

A turn starts at the index pulse.  Its period is an exact ratio of T-states; an index that
is known moves along by whole turns, so nothing is rounded twice.  A motor that was off for
a moment needs only as long to come back.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import FAR
from emu.native.jit import compiled, inlined
from peripherals.fdc_765_state import (
    DRIVE_READY,
    DRIVES,
    FM_BYTE,
    MFM_BYTE,
    TRACK_0,
    TURN,
    TWO_SIDED,
    WRITE_PROTECTED,
    turn_units,
)


@compiled
def index_before(d, t):
    """Move the drive's known index to the last one at or before ``t``; its T-state."""
    turns = ((t + 1 - d.index_t) * d.turn_den - d.index_rem - 1) // d.turn_num
    total = d.index_rem + turns * d.turn_num
    d.index_t += total // d.turn_den
    d.index_rem = total % d.turn_den
    return d.index_t


@inlined
def turning(d, t):
    """Tell whether the drive gives index pulses at ``t``: a disk at full speed."""
    return d.fitted == 1 and d.disk == 1 and d.spun_t <= t


@compiled
def set_motor(d, on, t):
    """Turn a motor on or off."""
    if d.fitted == 0 or d.motor == on:
        return
    d.motor = on
    if on == 1:
        lost = min(d.spin, t - d.off_t)
        d.spun_t = t + lost
        d.index_t = d.spun_t - d.phase
        d.index_rem = 0
        return
    if d.spun_t <= t:
        d.phase = t - index_before(d, t)
        d.off_t = t
    else:
        d.off_t = t - (d.spun_t - t)
    d.spun_t = FAR


@inlined
def byte_units(s):
    """Give the units of one byte in the command's encoding."""
    return np.int64(FM_BYTE) if s.fm == 1 else np.int64(MFM_BYTE)


@inlined
def set_base(s, d, t):
    """Let positions count from the last index before ``t``."""
    index_before(d, t)
    s.base_t = d.index_t
    s.base_rem = d.index_rem


@compiled
def when(s, position):
    """Give the T-state at which a byte of the track begins to pass the head."""
    d = s.drive[s.used]
    turn = position // s.buf_len
    start = s.base_t + (s.base_rem + turn * d.turn_num) // d.turn_den
    count = (position - turn * s.buf_len) * byte_units(s)
    return start + count * s.unit_num[s.rate] // s.unit_den[s.rate]


@compiled
def position_at(s, t):
    """Give the first whole byte that begins at or after ``t``, counted from the base."""
    d = s.drive[s.used]
    turn = ((t - s.base_t) * d.turn_den - s.base_rem) // d.turn_num
    position = turn * s.buf_len
    start = when(s, position)
    one = byte_units(s) * s.unit_num[s.rate]
    position += min((t - start) * s.unit_den[s.rate] // one, s.buf_len)
    while when(s, position) < t:
        position += 1
    return position


@inlined
def blank_length(s, d):
    """Give the bytes that one turn holds at the present rate and encoding, if the buffer can."""
    return min(turn_units(s, d) // byte_units(s), np.int64(TURN))


# --- pins ---------------------------------------------------------------------------------
@inlined
def is_ready(s, number, t):
    """Give the RDY pin for a drive number."""
    if s.ready_tied == 1:
        return np.int64(1)
    return np.int64(1) if turning(s.drive[number], t) else np.int64(0)


@compiled
def status_3(s, number, head, t):
    """Give status register 3 of a drive as it stands behind the wiring."""
    d = s.drive[selected(s, number)]
    value = number | head << 2
    if is_ready(s, selected(s, number), t) == 1:
        value |= DRIVE_READY
    if d.fitted == 1:
        if d.position == 0:
            value |= TRACK_0
        if d.sides == 2:
            value |= TWO_SIDED
        if d.disk == 1 and d.protected == 1:
            value |= WRITE_PROTECTED
    return value


@inlined
def selected(s, number):
    """Give the drive that the wiring selects: by the output register, or by the chip."""
    return number if s.select_by_chip == 1 else s.output & 3


@compiled
def pulse(d, inward, t):
    """Let a drive take one step pulse; one that comes too soon moves nothing."""
    if d.fitted == 0:
        return
    soon = t - d.stepped_t < d.min_step * 15 // 16
    d.stepped_t = t
    d.steps += 1
    if d.disk == 1:
        d.changed = 0
    if soon:
        d.lost_steps += 1
    elif inward == 1:
        d.position = min(d.position + 1, d.tracks + 1)
    elif d.position > 0:
        d.position -= 1


@compiled
def change_line(s):
    """Give the disk-change line of the selected drive."""
    d = s.drive[s.output & 3]
    return np.int64(0x80) if d.fitted == 1 and d.changed == 1 else np.int64(0)


@compiled
def switch_motors(s, t):
    """Let the motors follow the output register."""
    for number in range(DRIVES):
        set_motor(s.drive[number], (s.output >> (4 + number)) & 1, t)
