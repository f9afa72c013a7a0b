"""The search for a sector: the wait for head, motor and track, and the way to its ID.

A search is worked out at its start, for the track cannot change meanwhile: one event stands
for it.
"""
from __future__ import annotations

import numpy as np

from emu.bus.cycles import ask_host
from emu.bus.state import FAR
from emu.native.jit import compiled, inlined
from peripherals.fdc_765_chip import finish, note, writes
from peripherals.fdc_765_drive import is_ready, position_at, selected, set_base, when
from peripherals.fdc_765_state import (
    ABNORMAL,
    AWAIT_INDEX,
    BAD_CYLINDER,
    EXECUTION,
    FETCHING,
    FORMAT,
    MOTOR,
    NO_DATA,
    NO_MARK,
    NOT_READY,
    NOT_WRITABLE,
    READ_ID,
    READ_TRACK,
    ROTATION,
    SEARCHING,
    STEPPING,
    STUCK,
    WRONG_CYLINDER,
    units,
)
from peripherals.fdc_765_track import byte_at, find_id, id_good, lead

UNLIMITED = 1 << 40  # a position that no command reaches


@compiled
def begin(m, s, t):
    """Begin the execution phase of a command that needs the track."""
    s.used = selected(s, s.unit_drive)
    d = s.drive[s.used]
    s.phase = EXECUTION
    s.st1 = s.st2 = s.tc = s.sectors = s.skip = 0
    s.limit = UNLIMITED
    s.ready_t = FAR
    s.int_t = FAR
    note(s, np.int64(ROTATION), t)
    if is_ready(s, s.used, t) == 0:
        finish(m, s, ABNORMAL | NOT_READY, t)
        return
    if (writes(s) or s.op == FORMAT) and d.disk == 1 and d.protected == 1:
        s.st1 = NOT_WRITABLE
        s.refused += 1
        finish(m, s, np.int64(ABNORMAL), t)
        return
    start = t
    if t > s.drive[s.unit_drive].loaded_t:
        start = t + units(s, s.load)
    begin_search(m, s, max(start, d.stepped_t + d.settle), t)


@compiled
def begin_search(m, s, start, t):
    """Look at the track from ``start`` on; the host may have to bring it first."""
    d = s.drive[s.used]
    if d.fitted == 0 or d.disk == 0 or d.spun_t == FAR:
        s.stage = STUCK
        s.event_t = FAR
        s.start_t = start
        return
    if d.spun_t > start:
        note(s, np.int64(MOTOR), t)
    s.start_t = max(start, d.spun_t)
    s.stage = FETCHING
    s.event_t = max(s.start_t, t)
    side = s.side if d.sides == 2 else np.int64(0)
    s.want_drive = s.used
    s.want_track = d.position * 2 + side
    if not fetched(s):
        ask_host(m, s.slot)


@inlined
def fetched(s):
    """Tell whether the wanted track is in the buffer."""
    return s.buf_drive == s.want_drive and s.buf_track == s.want_track


@compiled
def disturbed(m, s, t):
    """Go on as well as may be after motor, select, rate or disk have changed."""
    if s.stage == STEPPING:
        return
    s.used = selected(s, s.unit_drive)
    s.ready_t = FAR
    s.int_t = FAR
    begin_search(m, s, max(t, s.start_t) if s.stage == STUCK else t, t)


@compiled
def look(m, s, t):
    """The track is there: find out how the search ends, and when."""
    if s.doing == MOTOR:
        note(s, np.int64(ROTATION), s.start_t)
    set_base(s, s.drive[s.used], s.start_t)
    if s.op == FORMAT or s.op == READ_TRACK:
        s.stage = AWAIT_INDEX
        s.event_t = when(s, s.buf_len)
        return
    search(s, position_at(s, s.start_t))


@compiled
def search(s, begin_at):
    """Work out where the wanted ID passes, or that the second index pulse comes first."""
    s.stage = SEARCHING
    s.found_st1 = NO_MARK
    s.found_st2 = 0
    end = (begin_at // s.buf_len + 2) * s.buf_len
    at = find_id(s, begin_at, end)
    while at >= 0 and not judge_id(s, at):
        at = find_id(s, at + 1, end)
    s.outcome = at
    s.event_t = when(s, at + lead(s) + 6) if at >= 0 else when(s, end)


@compiled
def judge_id(s, at):
    """Tell whether an ID ends the search, and note what else it tells."""
    field = at + lead(s)
    c = byte_at(s, field)
    s.found_st1 = NO_DATA
    if s.op == READ_TRACK:
        return True
    if s.op == READ_ID:
        return id_good(s, at)
    if c != s.c:
        s.found_st2 |= WRONG_CYLINDER
        if c == 0xFF:
            s.found_st2 |= BAD_CYLINDER
        return False
    if (byte_at(s, field + 1) != s.h or byte_at(s, field + 2) != s.r
            or byte_at(s, field + 3) != s.n):
        return False
    s.found_st2 = 0
    return True
