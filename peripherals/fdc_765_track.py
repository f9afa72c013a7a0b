"""The track under the head: finding marks, reading IDs, writing fields and gaps.

Positions count bytes from an index pulse and run on past the end of the turn.  A mark is
found only in the encoding and at the rate in which the track was written.
"""
from __future__ import annotations

import numpy as np

from emu.native.jit import compiled, inlined
from peripherals.fdc_765_drive import blank_length

ID_MARK, DATA_MARK, DELETED_MARK, INDEX_MARK = 0xFE, 0xFB, 0xF8, 0xFC
NOTHING = -1


@inlined
def lead(s):
    """Give the bytes of a mark: with the three before it in MFM."""
    return np.int64(1) if s.fm == 1 else np.int64(4)


@inlined
def sync(s):
    """Give the zeros before a mark."""
    return np.int64(6) if s.fm == 1 else np.int64(12)


@inlined
def gap2(s):
    """Give the bytes between an ID and its data's sync."""
    return np.int64(11) if s.fm == 1 else np.int64(22)


@inlined
def window(s):
    """Give the bytes behind an ID in which its data mark has to begin."""
    return np.int64(30) if s.fm == 1 else np.int64(44)


@inlined
def gap_byte(s):
    """Give what gaps are filled with."""
    return np.int64(0xFF) if s.fm == 1 else np.int64(0x4E)


@inlined
def byte_at(s, position):
    """Give the byte at a position."""
    return np.int64(s.raw[position % s.buf_len])


@inlined
def add_crc(crc, byte):
    """Take a byte into a CRC-16-CCITT."""
    x = (crc >> 8) ^ byte
    x ^= x >> 4
    return ((crc << 8) ^ (x << 12) ^ (x << 5) ^ x) & 0xFFFF


@compiled
def field_crc(s, begin, end):
    """Give the CRC from a mark's first byte up to ``end``: 0 when its CRC is in it and good."""
    crc = np.int64(0xFFFF)
    for position in range(begin, end):
        crc = add_crc(crc, byte_at(s, position))
    return crc


@compiled
def readable(s):
    """Tell whether the track was written in this encoding and at this rate."""
    if s.fm != s.buf_fm:
        return False
    now = blank_length(s, s.drive[s.used])
    return abs(now - s.buf_len) * 32 <= s.buf_len


@compiled
def find_mark(s, begin, end):
    """Find the first mark that begins from ``begin`` on and before ``end``, or NOTHING."""
    if not readable(s):
        return np.int64(NOTHING)
    at = begin % s.buf_len
    for position in range(begin, end):
        if s.marks[at] != 0:
            if s.fm == 1:
                return np.int64(position)
            if (s.marks[(at + 1) % s.buf_len] != 0 and s.marks[(at + 2) % s.buf_len] != 0
                    and byte_at(s, position) == 0xA1):
                return np.int64(position)
        at += 1
        if at == s.buf_len:
            at = 0
    return np.int64(NOTHING)


@inlined
def mark_of(s, position):
    """Give the last byte of the mark that begins at a position."""
    return byte_at(s, position + lead(s) - 1)


@compiled
def find_id(s, begin, end):
    """Find the first ID mark that begins from ``begin`` on and before ``end``, or NOTHING."""
    at = find_mark(s, begin, end)
    while at >= 0 and mark_of(s, at) != ID_MARK:
        at = find_mark(s, at + 1, end)
    return at


@inlined
def id_good(s, at):
    """Tell whether the CRC of the ID whose mark begins at a position is good."""
    return field_crc(s, at, at + lead(s) + 6) == 0


# --- writing ------------------------------------------------------------------------------
@inlined
def put(s, position, byte, mark):
    """Write one byte of the track, unless writing has stopped there."""
    if position >= s.limit:
        return
    at = position % s.buf_len
    s.raw[at] = byte
    s.marks[at] = mark
    s.dirty = 1


@compiled
def fill(s, begin, end, byte):
    """Write a run of equal bytes."""
    for position in range(begin, end):
        put(s, position, byte, 0)


@compiled
def put_mark(s, at, mark):
    """Write sync and a mark whose field begins at a position."""
    begin = at - lead(s)
    fill(s, begin - sync(s), begin, np.int64(0))
    if s.fm == 1:
        put(s, begin, mark, 1)
        return
    for k in range(3):
        put(s, begin + k, 0xC2 if mark == INDEX_MARK else 0xA1, 1)
    put(s, begin + 3, mark, 0)


@compiled
def put_crc(s, at, end):
    """Write the CRC of a field that begins at ``at``, behind its end."""
    crc = field_crc(s, at - lead(s), end)
    put(s, end, crc >> 8, 0)
    put(s, end + 1, crc & 0xFF, 0)


@compiled
def wipe(s):
    """Make the buffer a turn of gap bytes in the present encoding and rate."""
    s.buf_fm = s.fm
    s.buf_len = blank_length(s, s.drive[s.used])
    fill(s, np.int64(0), s.buf_len, gap_byte(s))
