"""The execution phase once the ID has passed: fields, and bytes to and from the CPU.

A byte costs no event as long as the CPU comes in time: only the moment from which it is late
is the card's next event.
"""
from __future__ import annotations

import numpy as np

from emu.bus.state import FAR
from emu.native.jit import compiled, inlined
from peripherals.fdc_765_chip import finish, note, offer, show_int, writes
from peripherals.fdc_765_drive import byte_units, when
from peripherals.fdc_765_fifo import buffered, next_read, next_write, too_late_at
from peripherals.fdc_765_state import (
    ABNORMAL,
    AT_DATA,
    BYTE_INT,
    CONTROL_MARK,
    DATA_ERROR,
    MOVING,
    NO_DATA,
    NO_DATA_MARK,
    NO_MARK,
    OVERRUN,
    READ_DELETED,
    READ_ID,
    READ_LIMIT_FM,
    READ_LIMIT_MFM,
    READ_TRACK,
    SCAN_EQ,
    SCAN_HIGH,
    SCAN_LOW,
    TAIL,
    TRANSFER,
    WRITE_DELETED,
    WRITE_LIMIT_FM,
    WRITE_LIMIT_MFM,
    units,
)
from peripherals.fdc_765_track import (
    DATA_MARK,
    DELETED_MARK,
    NOTHING,
    byte_at,
    find_id,
    find_mark,
    gap2,
    id_good,
    lead,
    mark_of,
    put,
    put_mark,
    sync,
    window,
)

SK = 0x20


@compiled
def found(m, s, t):
    """The search has ended."""
    at = s.outcome
    if at == NOTHING:
        s.st1 |= s.found_st1
        s.st2 |= s.found_st2
        s.unreadable += 1
        finish(m, s, np.int64(ABNORMAL), t)
        return
    field = at + lead(s)
    if s.op == READ_ID:
        s.c = byte_at(s, field)
        s.h = byte_at(s, field + 1)
        s.r = byte_at(s, field + 2)
        s.n = byte_at(s, field + 3)
        s.reads += 1
        finish(m, s, np.int64(0), t)
        return
    if not id_good(s, at):
        s.st1 |= DATA_ERROR
        if s.op != READ_TRACK:
            finish(m, s, np.int64(ABNORMAL), t)
            return
    if s.op == READ_TRACK and differs(s, field):
        s.st1 |= NO_DATA
    count_turn(s, at, t)
    if writes(s):
        s.at = field + 6 + gap2(s) + sync(s) + lead(s)
        begin_field(s, when(s, s.at - lead(s) - sync(s)), t)
        return
    find_data(m, s, field + 6)


@inlined
def differs(s, field):
    """Tell whether an ID is not the one asked for."""
    return (byte_at(s, field) != s.c or byte_at(s, field + 1) != s.h
            or byte_at(s, field + 2) != s.r or byte_at(s, field + 3) != s.n)


@compiled
def count_turn(s, at, t):
    """Note how long the CPU took from one sector to the next, and whether that cost a turn."""
    if s.sectors > 0 or s.buf_track != s.end_track or s.r != s.end_r + 1:
        return
    one = byte_units(s)
    following = find_id(s, at + 1, at + s.buf_len + 1)
    pitch = following - at
    if s.pairs == 0 or units(s, pitch * one) < s.pitch:  # it is longer over the index
        s.pitch = units(s, pitch * one)
        s.slack = units(s, (pitch - 2 * lead(s) - sync(s) - gap2(s) - s.span - 8) * one)
    s.pairs += 1
    s.gap_max = max(s.gap_max, s.start_t - s.end_t)
    if 2 * (t - s.start_t) > units(s, s.buf_len * one):
        s.missed += 1


@compiled
def find_data(m, s, behind):
    """Find the data mark behind an ID."""
    mark = find_mark(s, behind, behind + window(s))
    kind = mark_of(s, mark) if mark >= 0 else np.int64(0)
    s.stage = AT_DATA
    if kind != DATA_MARK and kind != DELETED_MARK:
        s.outcome = NOTHING
        s.event_t = when(s, behind + window(s))
        return
    s.outcome = mark
    s.event_t = when(s, mark + lead(s))


@compiled
def at_data(m, s, t):
    """The data mark has passed, or it should have."""
    if s.outcome == NOTHING:
        s.st1 |= NO_MARK
        s.st2 |= NO_DATA_MARK
        finish(m, s, np.int64(ABNORMAL), t)
        return
    s.at = s.outcome + lead(s)
    deleted = mark_of(s, s.outcome) == DELETED_MARK
    if deleted != (s.op == READ_DELETED):
        s.st2 |= CONTROL_MARK
        s.skip = 1 if (s.command[0] & SK) != 0 else 0
    begin_field(s, when(s, s.at + 1), t)


@compiled
def begin_field(s, first, t):
    """Begin to move a data field; ``first`` is when its first byte is asked for or given."""
    s.bytes = 0
    s.equal = 1
    note(s, np.int64(MOVING), t)
    if s.skip == 1:
        end_bytes(s, t)
        return
    s.stage = TRANSFER
    s.met = 1
    ask_byte(s, first, t)


@compiled
def ask_byte(s, first, t):
    """Say when the next byte is due, and when it is too late for it."""
    through = buffered(s)
    if through:
        first = next_write(s, t) if writes(s) else next_read(s, t)
    offer(s, first)
    if through:
        s.event_t = too_late_at(s) + 1
    elif not writes(s):
        limit = np.int64(READ_LIMIT_FM) if s.fm == 1 else np.int64(READ_LIMIT_MFM)
        s.event_t = first + units(s, limit) + 1
    elif s.bytes == 0:
        s.event_t = when(s, s.at) - units(s, np.int64(1)) + 1
    else:
        limit = np.int64(WRITE_LIMIT_FM) if s.fm == 1 else np.int64(WRITE_LIMIT_MFM)
        s.event_t = first + units(s, limit) + 1


@inlined
def end_bytes(s, t):
    """No more bytes for the CPU: the rest of the field and its CRC pass."""
    s.stage = TAIL
    s.ready_t = FAR
    s.int_t = FAR
    s.drq_t = FAR
    s.event_t = max(when(s, s.at + s.span + 2), t)


# --- bytes --------------------------------------------------------------------------------
@compiled
def moved(m, s, t):
    """One byte has been moved: go on to the next, or to the end of the field."""
    if s.stage == TRANSFER and s.ready_t <= t:
        limit = s.event_t - 1 - s.ready_t
        if s.tight_limit == 0 or s.event_t - 1 - t < s.tight_limit - s.tight:
            s.tight = t - s.ready_t
            s.tight_limit = limit
    s.bytes += 1
    m.medium_t = t
    if s.stage == TAIL:  # the last byte, late on the early part
        s.ready_t = FAR
        return
    if s.bytes >= s.wanted_bytes:
        end_bytes(s, t)
    elif writes(s):
        ask_byte(s, when(s, s.at + s.bytes - 1), t)
    else:
        ask_byte(s, when(s, s.at + s.bytes + 1), t)
    if s.ready_t > t:
        s.int_cause &= ~BYTE_INT
        show_int(m, s, t)
    else:
        s.int_t = FAR  # RQM stays, and INT with it


@inlined
def take_byte(m, s, t):
    """Give the CPU the byte that has passed."""
    value = byte_at(s, s.at + s.bytes)
    moved(m, s, t)
    return value


@inlined
def start_writing(s):
    """Open the write gate: sync and mark."""
    put_mark(s, s.at, np.int64(DELETED_MARK if s.op == WRITE_DELETED else DATA_MARK))


@compiled
def give_byte(m, s, byte, t):
    """Take the CPU's byte: write it, or compare it."""
    if writes(s):
        if s.bytes == 0:
            start_writing(s)
        put(s, s.at + s.bytes, byte, 0)
    else:
        compare(s, byte_at(s, s.at + s.bytes), byte)
    moved(m, s, t)


@inlined
def compare(s, disk, cpu):
    """Compare one byte of a scan; FFh on either side stands for any."""
    if disk == cpu or disk == 0xFF or cpu == 0xFF:
        return
    s.equal = 0
    if s.op == SCAN_EQ or (s.op == SCAN_LOW and disk > cpu) or (s.op == SCAN_HIGH and disk < cpu):
        s.met = 0


@compiled
def too_late(m, s, t):
    """The CPU did not come in time."""
    if s.version_b == 0 and not writes(s) and s.bytes == s.wanted_bytes - 1 and s.no_dma == 1:
        s.stage = TAIL  # the early part does not notice at the last byte: it stays for the CPU
        s.event_t = when(s, s.at + s.span + 2)
        return
    if writes(s) and s.bytes == 0:
        start_writing(s)
    s.overruns += 1
    s.overrun_pc = m.pc
    s.overrun_t = t
    s.st1 |= OVERRUN
    if writes(s) and buffered(s):
        end_bytes(s, t)  # the sector is filled with zeros, and its CRC is good: LPC47B37x p.31
        return
    finish(m, s, np.int64(ABNORMAL), t)
