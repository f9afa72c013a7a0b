"""The part with a FIFO of 16 bytes between the disk and the CPU (82077-class).

The FIFO is off until CONFIGURE turns it on.  While it reads, RQM comes with 16 less the
threshold bytes, or the sector's last, and stays until the FIFO is empty; while it writes,
RQM comes when no more than the threshold are left, and stays until it is full.  Service
limits: LPC47B37x table 11, threshold x byte time less 1.5 us; its commands: 82077AA data sheet.
SCAN and FORMAT work byte by byte as on the older parts.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import FAR
from emu.native.jit import compiled, inlined
from peripherals.fdc_765_chip import scans, writes
from peripherals.fdc_765_drive import when
from peripherals.fdc_765_state import DRIVES, units
from peripherals.fdc_765_track import lead, sync

FIFO = 16  # bytes
CONFIGURE, PERPENDICULAR, DUMP_REGISTERS, LOCK = 0x13, 0x12, 0x0E, 0x14
IMPLIED_SEEK, NO_FIFO, NO_POLLING = 0x40, 0x20, 0x10  # bits of CONFIGURE's second byte
DEFAULTS = NO_FIFO
LOCKED = 0x80  # bit of LOCK's first byte


@inlined
def buffered(s):
    """Tell whether the command's bytes go through the FIFO."""
    return s.has_fifo == 1 and (s.config & NO_FIFO) == 0 and not scans(s)


@inlined
def threshold(s):
    """Give the FIFO's threshold in bytes."""
    return (s.config & 15) + 1


@compiled
def next_read(s, t):
    """Say when the next byte can be fetched: at once while bytes are left."""
    there = when(s, s.at + s.bytes + 1)
    if s.bytes > 0 and there <= t:
        return there
    level = max(FIFO - threshold(s), 1)
    return when(s, s.at + min(s.bytes + level, s.wanted_bytes))


@compiled
def next_write(s, t):
    """Say when the next byte can be brought: at once while there is room."""
    if s.bytes < FIFO:
        return when(s, s.at - lead(s) - sync(s))
    room = when(s, s.at + s.bytes - FIFO)
    return room if room <= t else when(s, s.at + s.bytes - threshold(s))


@compiled
def too_late_at(s):
    """Give the T-state in which the FIFO runs over, or dry."""
    margin = units(s, np.int64(3)) // 2
    if writes(s):
        return when(s, s.at + s.bytes) - margin
    if s.bytes + FIFO > s.wanted_bytes:
        return FAR + 0 * margin  # the rest of the sector fits in
    return when(s, s.at + s.bytes + FIFO) - margin


# --- its commands -------------------------------------------------------------------------
@compiled
def set_defaults(s):
    """Do what a reset does to CONFIGURE's settings, unless they are locked."""
    if s.locked == 0:
        s.config = DEFAULTS
        s.precompensate = 0


@compiled
def configure(s):
    """Take over CONFIGURE's bytes."""
    s.config = np.int64(s.command[2])
    s.precompensate = np.int64(s.command[3])


@compiled
def lock(s):
    """Lock or unlock CONFIGURE's settings; the answer."""
    s.locked = 1 if (s.command[0] & LOCKED) != 0 else 0
    return np.int64(s.locked << 4)


@compiled
def dump(s):
    """Put the ten bytes of DUMPREG into the result."""
    for number in range(DRIVES):
        s.result[number] = s.drive[number].pcn
    s.result[4] = s.specify_1
    s.result[5] = s.specify_2
    s.result[6] = s.last_eot
    s.result[7] = s.locked << 7
    s.result[8] = s.config
    s.result[9] = s.precompensate
