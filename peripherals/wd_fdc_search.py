"""A WD177x/279x-type controller at the track: the search for an ID, and commands by the byte."""
from __future__ import annotations

import numpy as np

from emu.bus.cycles import ask_host
from emu.bus.state import FAR
from emu.native.jit import compiled, inlined
from peripherals.fdc_765_drive import position_at, set_base, when
from peripherals.fdc_765_track import (
    DATA_MARK,
    DELETED_MARK,
    add_crc,
    byte_at,
    field_crc,
    find_id,
    find_mark,
    gap2,
    id_good,
    lead,
    mark_of,
    put,
    put_crc,
    put_mark,
    sync,
    window,
    wipe,
)
from peripherals.wd_fdc_state import (
    AWAIT_INDEX,
    AWAIT_LOAD,
    CRC,
    FETCHING,
    LEAST,
    LOST,
    NOT_FOUND,
    ONE,
    READ_WHOLE,
    READING,
    RECORD,
    SEARCHING,
    STUCK,
    TAIL,
    TURNS,
    TWO,
    WD1793,
    WRITE_WHOLE,
    WRITING,
    finish,
    set_drq,
)

READ_ADDRESS, READ_TRACK, WRITE_TRACK = 0xC0, 0xE0, 0xF0
UNLIMITED = 1 << 40


@inlined
def is_write(s):
    """Tell whether the command writes a sector."""
    return s.kind == TWO and (s.command & 0x20) != 0


@inlined
def fetched(s):
    """Tell whether the wanted track is in the buffer."""
    return s.buf_drive == s.want_drive and s.buf_track == s.want_track


@compiled
def go_to_track(m, s, start, t):
    """Look at the track from ``start`` on; the host may have to bring it first."""
    d = s.drive[s.used]
    if d.fitted == 0 or d.disk == 0 or d.spun_t == FAR:
        s.stage = STUCK  # no index pulse ever counts the turns
        s.event_t = FAR
        return
    s.stage = FETCHING
    s.event_t = max(max(start, d.spun_t), t)
    s.want_drive = s.used
    s.want_track = d.position * 2 + (s.side if d.sides == 2 else np.int64(0))
    s.limit = UNLIMITED
    if not fetched(s):
        ask_host(m, s.slot)
        s.event_t = max(s.event_t, t + LEAST)


@compiled
def wanted(s, at):
    """Tell whether an ID is the one that is sought; one with a bad CRC is noted."""
    field = at + lead(s)
    s.seen_ids += 1
    s.seen_track = byte_at(s, field)
    if s.kind != ONE and s.kind != TWO:
        return True
    if not id_good(s, at):
        s.status |= CRC
        return False
    if s.kind == ONE:
        return byte_at(s, field) == s.track
    if s.kind == TWO:
        if s.chip == WD1793 and (s.command & 2) != 0 and (
                byte_at(s, field + 1) != (s.command >> 3) & 1):
            return False
    return byte_at(s, field) == s.track and byte_at(s, field + 2) == s.sector


@compiled
def data_mark(s, at):
    """Find the data mark behind an ID; -1: there is none near enough."""
    end = at + lead(s) + 6
    found = find_mark(s, end, end + window(s))
    if found < 0:
        return np.int64(-1)
    mark = mark_of(s, found)
    return found if mark == DATA_MARK or mark == DELETED_MARK else np.int64(-1)


@compiled
def search(s, begin):
    """Work out where the wanted ID passes, or that the fifth turn comes first."""
    s.stage = SEARCHING
    s.seen_ids = 0
    end = begin + s.buf_len
    at = find_id(s, begin, end)
    while at >= 0:
        if wanted(s, at):
            if s.kind != TWO or is_write(s) or data_mark(s, at) >= 0:
                break
        at = find_id(s, at + 1, end)
    s.outcome = at
    if at < 0:
        s.event_t = when(s, (begin // s.buf_len + TURNS) * s.buf_len)
    else:  # READ ADDRESS gives the ID itself
        s.event_t = when(s, at + lead(s) + (6 if s.kind == ONE or s.kind == TWO else 0))


@compiled
def look(s, t):
    """The track is there: find out how the search ends, or wait for the index."""
    set_base(s, s.drive[s.used], t)
    if s.command & 0xF0 == READ_TRACK or s.command & 0xF0 == WRITE_TRACK:
        s.stage = AWAIT_INDEX
        s.event_t = when(s, s.buf_len)
        return
    search(s, position_at(s, t))


@compiled
def not_found(m, s, t):
    """End a search that found nothing."""
    s.status |= NOT_FOUND
    s.missing += 1
    s.missing_t = t
    s.missing_now = 1
    s.missed_command = s.command
    s.missed_ids = s.seen_ids
    s.missed_seen = s.seen_track
    s.missed_track = s.track
    s.missed_sector = s.sector
    s.missed_at = s.drive[s.used].position
    s.missed_fm = s.fm
    finish(m, s, t)


@compiled
def found(m, s, t):
    """The ID has passed: begin what the command is about."""
    at = s.outcome
    s.status &= ~CRC
    if s.command == s.missed_command:
        s.missing_now = 0
    field = at + lead(s)
    if s.kind == ONE:
        finish(m, s, t)
        return
    s.bytes = 0
    if s.kind != TWO:
        s.at = field
        s.outcome = field
        s.span = 6
        s.sector = byte_at(s, field)
        s.stage = READING
        s.event_t = when(s, s.at + 1)
        return
    s.span = np.int64(128) << (byte_at(s, field + 3) & 3)
    if is_write(s):
        s.at = field + 6 + gap2(s) + sync(s) + lead(s)
        s.stage = AWAIT_LOAD
        set_drq(m, s, np.int64(1), t)
        s.event_t = when(s, field + 6 + gap2(s))
        return
    mark = data_mark(s, at)
    if mark_of(s, mark) == DELETED_MARK:
        s.status |= RECORD
    s.at = mark + lead(s)
    s.outcome = s.at
    s.stage = READING
    s.event_t = when(s, s.at + 1)


# --- bytes --------------------------------------------------------------------------------
@compiled
def lost(m, s, t):
    """Note a byte that was not moved in time; True: in a copy of the machine it is waited for."""
    if s.drq == 0:
        return False
    if s.patient == 1:
        return True
    if (s.status & LOST) == 0:
        s.lost_now = 0
        s.lost_t = t
    s.losses += 1
    s.lost_now += 1
    s.lost_command = s.command
    s.status |= LOST
    return False


@inlined
def wait_a_byte(s, t):
    """Let the disk stand still for a byte."""
    s.event_t = t + 16 * s.unit_num[s.rate] // s.unit_den[s.rate] + 1


@compiled
def read_byte(m, s, t):
    """A byte has passed the head: it stands in the data register."""
    if lost(m, s, t):
        wait_a_byte(s, t)
        return
    s.dr = byte_at(s, s.outcome + s.bytes)
    set_drq(m, s, np.int64(1), t)
    s.bytes += 1
    if s.bytes < s.span:
        s.event_t = max(when(s, s.at + s.bytes + 1), t + 1)
    else:
        s.stage = TAIL
        s.event_t = max(when(s, s.at + s.span + 2), t + 1)


@compiled
def begin_write(m, s, t):
    """The gap behind the ID is over: write the mark, if the first byte is there."""
    if lost(m, s, t):
        wait_a_byte(s, t)
        return
    if s.drq == 1:  # nothing was loaded in time, and nothing is written
        finish(m, s, t)
        return
    put_mark(s, s.at, np.int64(DELETED_MARK) if (s.command & 1) != 0 else np.int64(DATA_MARK))
    s.stage = WRITING
    s.event_t = max(when(s, s.at), t + 1)


@compiled
def write_byte(m, s, t):
    """Take the byte that is to pass next out of the data register; 00h when it did not come."""
    if lost(m, s, t):
        wait_a_byte(s, t)
        return
    put(s, s.at + s.bytes, s.dr if s.drq == 0 else np.int64(0), 0)
    s.bytes += 1
    if s.bytes < s.span:
        set_drq(m, s, np.int64(1), t)
        s.event_t = max(when(s, s.at + s.bytes), t + 1)
        return
    set_drq(m, s, np.int64(0), t)
    put_crc(s, s.at, s.at + s.span)
    put(s, s.at + s.span + 2, np.int64(0xFF), 0)
    s.stage = TAIL
    s.event_t = when(s, s.at + s.span + 3)


@compiled
def tail(m, s, t):
    """The CRC has passed: judge the sector, and go on or end."""
    m.medium_t = t
    s.end_track = s.buf_track
    s.end_r = s.sector
    if s.kind != TWO:
        if not id_good(s, s.at - lead(s)):
            s.status |= CRC
        finish(m, s, t)
        return
    if is_write(s):
        s.writes += 1
        ask_host(m, s.slot)
    else:
        s.reads += 1
        if field_crc(s, s.at - lead(s), s.at + s.span + 2) != 0:
            s.status |= CRC
            finish(m, s, t)
            return
    if (s.command & 0x10) != 0:
        s.sector = (s.sector + 1) & 0xFF
        search(s, position_at(s, t))
        return
    finish(m, s, t)


# --- whole tracks -------------------------------------------------------------------------
@compiled
def start_track(m, s, t):
    """The index has come."""
    set_base(s, s.drive[s.used], t)
    s.bytes = 0
    s.field = 0
    if s.command & 0xF0 == READ_TRACK:
        s.stage = READ_WHOLE
        s.event_t = when(s, np.int64(1))
        return
    if lost(m, s, t):
        s.event_t = t + 1 + 16 * s.unit_num[s.rate] // s.unit_den[s.rate]
        return
    if s.drq == 1:
        finish(m, s, t)
        return
    wipe(s)
    s.limit = s.buf_len
    s.stage = WRITE_WHOLE
    s.event_t = t + 1


@compiled
def read_whole(m, s, t):
    """A byte of the whole track has passed."""
    lost(m, s, t)
    s.dr = byte_at(s, s.bytes)
    set_drq(m, s, np.int64(1), t)
    s.bytes += 1
    s.event_t = when(s, s.bytes + 1)
    if s.bytes >= s.buf_len:
        finish(m, s, t)


@compiled
def put_special(s, byte):
    """Write a byte of WRITE TRACK; the bytes F5h and up are marks and CRCs."""
    at = s.bytes
    s.bytes += 1
    if byte == 0xF7:
        crc = np.int64(0xFFFF)
        for position in range(s.field, at):
            crc = add_crc(crc, byte_at(s, position))
        put(s, at, crc >> 8, 0)
        put(s, at + 1, crc & 0xFF, 0)
        s.bytes += 1
    elif s.fm == 0 and (byte == 0xF5 or byte == 0xF6):
        if byte == 0xF5 and (at == 0 or s.marks[at - 1] == 0):
            s.field = at
        put(s, at, 0xA1 if byte == 0xF5 else 0xC2, 1)
    elif s.fm == 1 and byte >= 0xF8 and byte != 0xFD and byte != 0xFF:
        s.field = at
        put(s, at, byte, 1)
    else:
        put(s, at, byte, 0)


@compiled
def write_whole(m, s, t):
    """Take the next byte of a whole track."""
    if lost(m, s, t):
        wait_a_byte(s, t)
        return
    put_special(s, s.dr if s.drq == 0 else np.int64(0))
    if s.bytes < s.buf_len:
        set_drq(m, s, np.int64(1), t)
        s.event_t = max(when(s, s.bytes), t + 1)
        return
    s.formats += 1
    m.medium_t = t
    ask_host(m, s.slot)
    finish(m, s, t)
