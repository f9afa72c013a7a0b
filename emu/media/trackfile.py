"""Track images: a disk as it lies there, with gaps, marks and CRCs, which no raw image can hold.

A line "preburn tracks 1"; a line of JSON, {"geometry": table or null, "tracks": [[cylinder, head,
bytes, fm], ...]}; then, packed by zlib, each track's bytes and its mark flags, eight to a byte.
Tracks that are not listed are unformatted.
"""
from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from emu.errors import InputError, one_line
from emu.media.bay import SIDES
from emu.media.geometry import Geometry, parse
from emu.media.track import Sector, Track, crc
from emu.media.track_layout import MFM

MAGIC = b"preburn tracks 1\n"
SUFFIX = ".tracks"
MOST_TRACKS = 85 * SIDES
LONGEST = 25_000  # bytes of a turn: 1000 kbit/s at 300 rpm
TROUBLES = ("data", "id", "missing")


def pack(geometry: Geometry | None, tracks: Mapping[int, Track]) -> bytes:
    """Make the bytes of a track image; ``tracks`` by piece number, cylinder * 2 + head."""
    table = geometry and {k.replace("_", "-"): v for k, v in asdict(geometry).items()}
    rows, body = [], b""
    for number, track in sorted(tracks.items()):
        rows.append([*divmod(number, SIDES), len(track.data), int(track.fm)])
        body += track.data + np.packbits(np.frombuffer(track.marks, np.uint8)).tobytes()
    head = json.dumps({"geometry": table, "tracks": rows})
    return MAGIC + head.encode() + b"\n" + zlib.compress(body, 9)


def unpack(data: bytes, path: Path) -> tuple[Geometry | None, dict[int, Track]]:
    """Read a track image; InputError when it is cut short or was made by nobody we know."""
    try:
        head, _, packed = data[len(MAGIC):].partition(b"\n")
        table = json.loads(head)
        rows = [_row(row) for row in table["tracks"]]
        inflate = zlib.decompressobj()
        body = inflate.decompress(packed, MOST_TRACKS * LONGEST * 2)
        tracks = _cut(rows, body)
    except (ValueError, KeyError, TypeError, zlib.error, IndexError, RecursionError) as error:
        raise InputError(f"{path}: is a damaged track image ({one_line(str(error))}); take it "
                         f"from a copy or make it anew with `preburn medium create`.") from None
    geometry = table.get("geometry")
    return (None if geometry is None else parse(geometry, f"{path}: geometry")), tracks


def _row(row: Any) -> tuple[int, ...]:
    """Check a track's row: four whole numbers, the last of them may be true or false."""
    if not isinstance(row, list) or len(row) != 4 or not all(isinstance(n, int) for n in row):
        raise ValueError("a track takes four whole numbers")
    return tuple(row)


def _cut(rows: list[tuple[int, ...]], body: bytes) -> dict[int, Track]:
    tracks, at = {}, 0
    for cylinder, head, length, fm in rows:
        if not (0 <= cylinder < 85 and 0 <= head < SIDES and 1 <= length <= LONGEST):
            raise ValueError(f"track {cylinder}/{head} of {length} bytes")
        end, flags = at + length, -(-length // 8)
        if end + flags > len(body):
            raise ValueError(f"track {cylinder}/{head} is cut short")
        bits = np.unpackbits(np.frombuffer(body[end:end + flags], np.uint8))[:length]
        tracks[cylinder * SIDES + head] = Track(body[at:end], bits.tobytes(), bool(fm))
        at = end + flags
    return tracks


def with_data(track: Track, sector: Sector, content: bytes) -> Track:
    """Give the track with other bytes in a sector's data field, and a good CRC."""
    assert sector.data is not None and len(content) == len(sector.data)
    at, lead = sector.data_at, 1 if track.fm else MFM.mark
    mark = bytes(track.data[(at + k) % len(track.data)] for k in range(-lead, 0))
    return _put(track, at, content + crc(mark + content).to_bytes(2, "big"))


def spoiled(track: Track, sector: Sector, trouble: str) -> Track:
    """Give the track with a sector that cannot be read: a bad CRC of its "data" or "id", or
    its ID "missing"."""
    lead = 1 if track.fm else MFM.mark
    if trouble == "missing":
        gone = _put(track, sector.at, bytes([0xFF if track.fm else 0x4E]) * lead)
        marks = bytearray(gone.marks)
        for k in range(lead):
            marks[(sector.at + k) % len(marks)] = 0
        return Track(gone.data, bytes(marks), gone.fm)
    at = sector.at + lead + 4 if trouble == "id" else sector.data_at + len(sector.data or b"")
    return _put(track, at, bytes([track.data[at % len(track.data)] ^ 0xFF]))


def _put(track: Track, at: int, what: bytes) -> Track:
    data: Any = bytearray(track.data)
    for k, byte in enumerate(what):
        data[(at + k) % len(data)] = byte
    return Track(bytes(data), track.marks, track.fm)
