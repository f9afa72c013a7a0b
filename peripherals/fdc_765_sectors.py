"""The end of a sector: its CRC, and whether the command goes on."""
from __future__ import annotations

import numpy as np

from emu.native.jit import compiled
from peripherals.fdc_765_chip import finish, scans, show_int, writes
from peripherals.fdc_765_drive import position_at, set_base
from peripherals.fdc_765_search import begin_search, search
from peripherals.fdc_765_state import (
    ABNORMAL,
    AT_DATA,
    BAD_DATA,
    BYTE_INT,
    CONTROL_MARK,
    DATA_ERROR,
    END_OF_CYLINDER,
    FETCHING,
    OVERRUN,
    READ_TRACK,
    SCAN_EQUAL,
    SCAN_UNMET,
    SEARCHING,
    TAIL,
    TRANSFER,
)
from peripherals.fdc_765_track import field_crc, lead, put, put_crc
from peripherals.fdc_765_transfer import end_bytes, start_writing

MT = 0x80


@compiled
def remember_end(s, t):
    """Note when a sector ended, for the account of lost turns."""
    s.end_t = t
    s.end_track = s.buf_track
    s.end_r = s.r


@compiled
def end_field(m, s, t):
    """The CRC has passed: judge the sector, and go on or end."""
    end = s.at + s.span
    if writes(s):
        for position in range(s.at + s.bytes, end):
            put(s, position, np.int64(0), 0)
        put_crc(s, s.at, end)
        s.writes += 1
        if (s.st1 & OVERRUN) != 0:
            finish(m, s, np.int64(ABNORMAL), t)
            return
    elif s.skip == 0:
        s.reads += 1
        if field_crc(s, s.at - lead(s), end + 2) != 0:
            s.st1 |= DATA_ERROR
            s.st2 |= BAD_DATA
            if s.op != READ_TRACK:
                finish(m, s, np.int64(ABNORMAL), t)
                return
    s.sectors += 1
    remember_end(s, t)
    if scans(s):
        after_scan(m, s, t)
    elif s.op == READ_TRACK:
        after_track_sector(m, s, t)
    elif (s.st2 & CONTROL_MARK) != 0 and s.skip == 0:
        finish(m, s, np.int64(0), t)
    else:
        s.skip = 0
        next_sector(m, s, np.int64(1), t)


@compiled
def next_id(s):
    """Let the ID in the result go on, as the table of the 8272 description has it."""
    if s.r != s.command[6]:
        s.r = (s.r + 1) & 0xFF
        return
    s.r = 1
    if (s.command[0] & MT) == 0:
        s.c = (s.c + 1) & 0xFF
        return
    if s.side == 1:
        s.c = (s.c + 1) & 0xFF
    s.h ^= 1


@compiled
def next_sector(m, s, stride, t):
    """Go on to the next sector, or end: at TC well, behind the last sector not so well."""
    if s.tc == 1:
        next_id(s)
        finish(m, s, np.int64(0), t)
        return
    if s.r != s.command[6]:
        s.r = (s.r + stride) & 0xFF
        begin_search(m, s, t, t)
        return
    last_side = (s.command[0] & MT) == 0 or s.side == 1
    next_id(s)
    if not last_side:
        s.side = 1
        begin_search(m, s, t, t)
        return
    s.st1 |= END_OF_CYLINDER
    s.no_tc += 1
    finish(m, s, np.int64(ABNORMAL), t)


@compiled
def after_scan(m, s, t):
    """A scan goes on until a sector meets the condition, or TC, or the last sector."""
    if s.equal == 1:
        s.st2 |= SCAN_EQUAL
    if s.met == 1 or s.tc == 1 or s.r == s.command[6]:
        if s.met == 0:
            s.st2 |= SCAN_UNMET
        finish(m, s, np.int64(0), t)
        return
    s.skip = 0
    next_sector(m, s, np.int64(2) if s.command[8] == 2 else np.int64(1), t)


@compiled
def after_track_sector(m, s, t):
    """READ TRACK takes the sectors as they pass, so many as EOT says."""
    if s.tc == 1:
        finish(m, s, np.int64(0), t)
        return
    s.r = (s.r + 1) & 0xFF
    if s.sectors >= s.command[6]:
        s.st1 |= END_OF_CYLINDER
        s.no_tc += 1
        finish(m, s, np.int64(ABNORMAL), t)
        return
    search(s, position_at(s, t))


@compiled
def start_track(s, t):
    """The index has come: READ TRACK begins."""
    set_base(s, s.drive[s.used], t)
    search(s, np.int64(0))


@compiled
def terminal_count(m, s, t):
    """TC: no more bytes; the sector under way is finished."""
    if s.stage == FETCHING or s.stage == SEARCHING or s.stage == AT_DATA:
        if s.sectors > 0:
            finish(m, s, np.int64(0), t)
        return
    if s.stage == TRANSFER:
        s.tc = 1
        if writes(s) and s.bytes == 0:
            start_writing(s)
        s.int_cause &= ~BYTE_INT
        show_int(m, s, t)
        end_bytes(s, t)
    elif s.stage == TAIL:
        s.tc = 1
