"""FORMAT: from index to index, an ID from the CPU for each sector.

The chip lays out gaps, marks, filled data fields and CRCs, and stops at the second index
wherever it is then, so a gap that is too long cuts the last sector short.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import FAR
from emu.native.jit import compiled, inlined
from peripherals.fdc_765_chip import finish, note, offer, show_int
from peripherals.fdc_765_drive import set_base, when
from peripherals.fdc_765_state import (
    ABNORMAL,
    BYTE_INT,
    FORMATTING,
    LAST_GAP,
    MOVING,
    OVERRUN,
    WRITE_LIMIT_FM,
    WRITE_LIMIT_MFM,
    units,
)
from peripherals.fdc_765_track import (
    DATA_MARK,
    ID_MARK,
    INDEX_MARK,
    fill,
    gap2,
    gap_byte,
    lead,
    put,
    put_crc,
    put_mark,
    sync,
    wipe,
)


@inlined
def preamble(s):
    """Give the bytes of gap 4a."""
    return np.int64(40) if s.fm == 1 else np.int64(80)


@inlined
def gap1(s):
    """Give the bytes behind the index mark."""
    return np.int64(26) if s.fm == 1 else np.int64(50)


@inlined
def sector_bytes(s):
    """Give the bytes from one ID to the next."""
    return 2 * (sync(s) + lead(s)) + 6 + gap2(s) + s.span + 2 + np.int64(s.command[4])


@inlined
def id_at(s):
    """Give where the ID field of the sector under way begins, behind its mark."""
    head = preamble(s) + sync(s) + lead(s) + gap1(s)
    return head + s.sectors * sector_bytes(s) + sync(s) + lead(s)


@compiled
def start_format(m, s, t):
    """The index has come: write the track's head and ask for the first ID."""
    set_base(s, s.drive[s.used], t)
    wipe(s)
    s.limit = s.buf_len
    put_mark(s, preamble(s) + sync(s) + lead(s), np.int64(INDEX_MARK))
    note(s, np.int64(MOVING), t)
    s.order = 0
    ask_id(m, s)


@compiled
def ask_id(m, s):
    """Ask for the next byte of an ID, or write gap until the index when all are written."""
    at = id_at(s)
    if s.sectors == s.command[3] or at - lead(s) >= s.buf_len:
        s.stage = LAST_GAP
        s.ready_t = FAR
        s.int_t = FAR
        s.event_t = when(s, s.buf_len)
        return
    s.stage = FORMATTING
    if s.order == 0:
        first = when(s, at - lead(s) - sync(s))
        s.event_t = when(s, at) - units(s, np.int64(1)) + 1
    else:
        first = when(s, at + s.order - 1)
        limit = np.int64(WRITE_LIMIT_FM) if s.fm == 1 else np.int64(WRITE_LIMIT_MFM)
        s.event_t = first + units(s, limit) + 1
    offer(s, first)


@compiled
def format_byte(m, s, byte, t):
    """Take one byte of an ID; behind the fourth the sector is laid out."""
    at = id_at(s)
    if s.order == 0:
        put_mark(s, at, np.int64(ID_MARK))
        s.c = byte
    elif s.order == 1:
        s.h = byte
    elif s.order == 2:
        s.r = byte
    else:
        s.n = byte
    put(s, at + s.order, byte, 0)
    s.order += 1
    m.medium_t = t
    s.int_cause &= ~BYTE_INT
    show_int(m, s, t)
    if s.order == 4:
        lay_sector(s, at)
        s.order = 0
        s.sectors += 1
    ask_id(m, s)


@compiled
def lay_sector(s, at):
    """Write what follows the four bytes of an ID, up to gap 3."""
    put_crc(s, at, at + 4)
    data = at + 6 + gap2(s) + sync(s) + lead(s)
    fill(s, at + 6, data, gap_byte(s))
    put_mark(s, data, np.int64(DATA_MARK))
    fill(s, data, data + s.span, np.int64(s.command[5]))
    put_crc(s, data, data + s.span)
    fill(s, data + s.span + 2, data + s.span + 2 + np.int64(s.command[4]), gap_byte(s))


@compiled
def late_id(m, s, t):
    """The CPU did not bring an ID in time: the rest of the track stays bare."""
    s.overruns += 1
    s.overrun_pc = m.pc
    s.overrun_t = t
    s.st1 |= OVERRUN
    finish(m, s, np.int64(ABNORMAL), t)


@compiled
def end_format(m, s, t):
    """The second index has come."""
    s.formats += 1
    finish(m, s, np.int64(0), t)
