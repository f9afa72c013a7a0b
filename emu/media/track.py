"""One track as it lies on the disk: gaps, sync, marks, fields and CRCs.

Layout of the System 34 (MFM) and 3740 (FM) formats: format tables of a Super-I/O data sheet
(LPC47S45x p.56) and of the 8272 description.  CRC-16-CCITT, preset to ones, over the mark's
bytes and the field, sent high byte first.  A mark's bytes lack clock pulses, so no data
can look like them: they are flagged beside the bytes.
"""
from __future__ import annotations

import binascii
from collections.abc import Iterator
from dataclasses import dataclass

from emu.media.geometry import Geometry
from emu.media.track_layout import FM, MFM

PRESET = 0xFFFF
INDEX_MARK, ID_MARK, DATA_MARK, DELETED_MARK = 0xFC, 0xFE, 0xFB, 0xF8
FILL = 0xF6  # what fresh sectors hold; common practice, no source


DATA_WINDOW = {"mfm": 44, "fm": 30}  # bytes behind an ID in which its data mark has to begin


@dataclass(frozen=True)
class Track:
    """One turn of one side, from the index on.  Raw bytes, and where marks stand."""

    data: bytes
    marks: bytes  # 1 where a byte lacks clock pulses
    fm: bool

    @property
    def encoding(self) -> str:
        """The name of how it is recorded."""
        return "fm" if self.fm else "mfm"


@dataclass(frozen=True)
class Sector:
    """A sector that an ID field announces."""

    at: int  # byte of the turn where its ID mark begins
    cylinder: int
    head: int
    number: int
    size_code: int
    id_good: bool
    data: bytes | None  # None: no data mark follows the ID
    data_good: bool
    deleted: bool
    data_at: int = -1  # byte of the turn where its data begin


def crc(data: bytes, start: int = PRESET) -> int:
    """Work out CRC-16-CCITT."""
    return binascii.crc_hqx(data, start)


def mark_bytes(mark: int, fm: bool) -> bytes:
    """Give a mark with the bytes that lead it in; the CRC covers them all."""
    if fm:
        return bytes([mark])
    return bytes([0xC2 if mark == INDEX_MARK else 0xA1] * 3 + [mark])


class _Writer:
    def __init__(self, fm: bool) -> None:
        self.fm = fm
        self.layout = FM if fm else MFM
        self.data = bytearray()
        self.marks = bytearray()

    def plain(self, what: bytes) -> None:
        self.data += what
        self.marks += bytes(len(what))

    def gap(self, count: int) -> None:
        self.plain(bytes([self.layout.gap_byte]) * count)

    def field(self, mark: int, what: bytes) -> None:
        """Write sync, mark, a field and its CRC (an index mark has neither of them)."""
        lead = mark_bytes(mark, self.fm)
        self.plain(bytes(self.layout.sync))
        self.data += lead
        self.marks += b"\1" if self.fm else b"\1\1\1\0"
        if mark != INDEX_MARK:
            self.plain(what + crc(lead + what).to_bytes(2, "big"))


def lay(geometry: Geometry, cylinder: int, head: int, content: bytes) -> Track:
    """Lay out a track of ``content``: its sectors' bytes in the order of their numbers.

    Gap 3 is shortened when the turn could not hold it.
    """
    fm = geometry.encoding == "fm"
    writer = _Writer(fm)
    turn = geometry.turn_bytes // (2 if fm else 1)
    size, layout = geometry.sector_size, writer.layout
    room = turn - geometry.sectors * (size + layout.overhead)
    full = room >= layout.head + geometry.sectors
    if full:
        writer.gap(layout.gap4a)
        writer.field(INDEX_MARK, b"")
        writer.gap(layout.gap1)
        room -= layout.head
    gap3 = min(geometry.gap3, room // geometry.sectors)
    code = (size >> 7).bit_length() - 1
    for number in geometry.order(cylinder * geometry.heads + head):
        at = (number - geometry.first_sector) * size
        writer.field(ID_MARK, bytes([cylinder, head, number & 0xFF, code]))
        writer.gap(layout.gap2)
        writer.field(DATA_MARK, content[at:at + size])
        writer.gap(gap3)
    writer.gap(turn - len(writer.data))
    return Track(bytes(writer.data), bytes(writer.marks), fm)


def _round(data: bytes, at: int, count: int) -> bytes:
    """Take bytes off the turn, past the index if need be."""
    return bytes(data[(at + k) % len(data)] for k in range(count)) \
        if at + count > len(data) else data[at:at + count]


def _marks(track: Track) -> Iterator[tuple[int, int]]:
    """List the marks of a turn: where they begin, and their last byte."""
    length = len(track.data)
    flags = b"\1" if track.fm else b"\1\1\1"
    marks = track.marks + track.marks[:len(flags) - 1]
    at = marks.find(flags)
    while at >= 0:
        if track.fm:
            yield at, track.data[at]
        elif _round(track.data, at, 3) == b"\xA1" * 3:
            yield at, track.data[(at + 3) % length]
        at = marks.find(flags, at + 1)


def sectors(track: Track) -> list[Sector]:
    """Read all sectors of a track, in the order in which they pass."""
    found = list(_marks(track))
    lead = 1 if track.fm else 4
    out = []
    for k, (at, mark) in enumerate(found):
        if mark != ID_MARK:
            continue
        field = _round(track.data, at, lead + 6)
        c, h, r, n = field[lead:lead + 4]
        next_at, next_mark = found[(k + 1) % len(found)]
        behind = (next_at - at - lead - 6) % len(track.data)
        data, good = None, False
        if next_mark in (DATA_MARK, DELETED_MARK) and behind <= DATA_WINDOW[track.encoding]:
            whole = _round(track.data, next_at, lead + (128 << (n & 7)) + 2)
            data, good = whole[lead:-2], crc(whole) == 0
        out.append(Sector(at, c, h, r, n, crc(field) == 0, data, good,
                          next_mark == DELETED_MARK and data is not None,
                          -1 if data is None else (next_at + lead) % len(track.data)))
    return out
