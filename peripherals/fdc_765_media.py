"""The host's side of the card: tracks between the bays and the track buffer (plain Python)."""
from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from emu.media.bay import SIDES, Bay
from emu.media.track import Track, lay
from peripherals.fdc_765_chip import set_event
from peripherals.fdc_765_search import disturbed
from peripherals.fdc_765_state import DRIVES, EXECUTION, MFM_BYTE, TURN, turn_units

NAMES = tuple(f"drive-{letter}" for letter in "abcd")
NO_TRACK = -1
UNFORMATTED = 2  # value of ``buf_fm``: no encoding matches it


def notice(s: Any, bays: Mapping[str, Bay]) -> list[int]:
    """See what disks are in the drives; the drives whose disk has been changed."""
    changed = []
    for number, name in enumerate(NAMES):
        bay, d = bays.get(name), s.drive[number]
        if bay is None or int(d.seen) == bay.inserts:
            continue
        d.seen = bay.inserts
        look_in(d, bay)
        d.changed = 1
        changed.append(number)
        if int(s.buf_drive) == number:
            s.buf_drive, s.dirty = NO_TRACK, 0
    return changed


def look_in(d: Any, bay: Bay) -> None:
    """Set what the drive's switches and sensors show of its disk."""
    disk = bay.original
    d.disk = int(disk is not None)
    d.protected = int(disk is not None and disk.protected)
    geometry = disk.geometry if disk else None
    d.wide = int(geometry is not None and geometry.cylinders <= 42 and int(d.tracks) >= 77
                 and int(d.wide_head) == 1)


def _number(d: Any, track: int) -> int | None:
    """Give the piece number of what is under the head; None: between two tracks."""
    if not d.wide:
        return track
    position, head = divmod(track, SIDES)
    return None if position % 2 else position // 2 * SIDES + head


def store(s: Any, bays: Mapping[str, Bay]) -> None:
    """Store the track in the buffer if it has changed."""
    if not s.dirty:
        return
    s.dirty = 0
    drive, length = int(s.buf_drive), int(s.buf_len)
    number = _number(s.drive[drive], int(s.buf_track))
    if number is not None:
        bays[NAMES[drive]].put(number, Track(
            np.asarray(s.raw)[:length].tobytes(), np.asarray(s.marks)[:length].tobytes(),
            bool(s.buf_fm)))


def _piece(bay: Bay, number: int | None) -> Track | None:
    """Give a track as it is now; None: unformatted."""
    if number is None or bay.original is None:
        return None
    written: Track | None = bay.get(number)
    geometry = bay.original.geometry
    cylinder, head = divmod(number, SIDES)
    if written is not None or not bay.original.formatted or geometry is None:
        return written
    if cylinder >= geometry.cylinders or head >= geometry.heads:
        return None
    at = (cylinder * geometry.heads + head) * geometry.track_bytes
    return lay(geometry, cylinder, head, bytes(bay.original.data[at:at + geometry.track_bytes]))


def load(s: Any, bays: Mapping[str, Bay]) -> None:
    """Load the track that is wanted."""
    drive, track = int(s.want_drive), int(s.want_track)
    if drive == NO_TRACK or (drive, track) == (int(s.buf_drive), int(s.buf_track)):
        return
    d = s.drive[drive]
    piece = _piece(bays[NAMES[drive]], _number(d, track))
    s.buf_drive, s.buf_track = drive, track
    s.marks[:] = 0
    if piece is None:
        s.buf_fm, s.buf_len = UNFORMATTED, min(turn_units(s, d) // MFM_BYTE, TURN)
        return
    length = len(piece.data)
    s.buf_fm, s.buf_len = int(piece.fm), length
    s.raw[:length] = np.frombuffer(piece.data, np.uint8)
    s.marks[:length] = np.frombuffer(piece.marks, np.uint8)


def serve(m: Any, s: Any, bays: Mapping[str, Bay]) -> None:
    """Store the track that has changed, load the one that is wanted, notice other disks."""
    changed = notice(s, bays)
    store(s, bays)
    load(s, bays)
    if any(s.phase == EXECUTION and s.used == number for number in changed):
        disturbed(m, s, np.int64(m.t))
        set_event(m, s)


def fit(s: Any, bays: Mapping[str, Bay]) -> None:
    """Put in what stands in the drives at power-on; every disk-change latch is set."""
    for number in range(DRIVES):
        bay = bays.get(NAMES[number])
        if bay is not None:
            s.drive[number].seen = bay.inserts
            look_in(s.drive[number], bay)
            s.drive[number].changed = 1
    s.buf_drive = s.want_drive = NO_TRACK
    s.buf_track = s.want_track = s.end_track = NO_TRACK
    s.buf_len = 1


def place(m: Any, s: Any) -> object:
    """Say where the controller is: the track under the head, the last sector it did."""
    return int(s.buf_drive), int(s.buf_track), int(s.end_track), int(s.end_r)
