"""Make a disk from what a builder wishes for."""
from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from emu.errors import InputError
from emu.media.disk import Disk, geometry_of
from emu.media.image import filled
from emu.media.mounting import make
from emu.media.trackfile import SUFFIX, TROUBLES

BAD = re.compile(r"(\d{1,2})/(\d)/(\d{1,3})(?::(\w+))?$")


@dataclass(frozen=True)
class Wish:
    """What a new disk is to be like, in the words of the options."""

    geometry: str | None
    fill: str = "F6"
    files: str | None = None
    label: str = ""
    unformatted: bool = False
    interleave: int = 1
    skew: int = 0
    bad: tuple[str, ...] = ()  # CYLINDER/HEAD/SECTOR[:TROUBLE]


def new_disk(path: Path, wish: Wish) -> Disk:
    """Make the disk in memory; InputError when the wishes do not fit together."""
    geometry = geometry_of(wish.geometry, wish.interleave, wish.skew)
    if geometry is None:
        raise InputError("create needs --geometry, such as 720K or 80x2x9x512.")
    in_tracks = path.suffix == SUFFIX
    if not in_tracks and (wish.unformatted or wish.bad or wish.interleave != 1 or wish.skew):
        raise InputError(f"{path}: a raw image holds the sectors' bytes only; for an unformatted "
                         f"or interleaved disk, or bad sectors, let the name end in {SUFFIX}.")
    if wish.unformatted and (wish.files or wish.bad):
        raise InputError("an unformatted disk has no sectors: leave out --files and --bad.")
    if wish.label and not wish.files:
        raise InputError("--label names a file system; say --files fat12 or --files tidewater.")
    disk = Disk(path, filled(geometry, _byte(wish.fill), str(path)))
    if wish.files:
        make(disk.image, wish.files, wish.label)
    if in_tracks:
        disk.tracks = {} if wish.unformatted else disk.laid()
        disk.image.written.clear()
    for text in wish.bad:
        disk.spoil(*_place(text))
    return disk


def _byte(text: str) -> int:
    try:
        value = int(text, 16)
    except ValueError:
        value = -1
    if not 0 <= value <= 255:
        raise InputError(f"--fill takes a byte in hex such as F6, not {text!r}.")
    return value


def _place(text: str) -> tuple[int, int, int, str]:
    match = BAD.match(text)
    trouble = (match[4] or "data") if match else ""
    if match is None or trouble not in TROUBLES:
        raise InputError(f"--bad takes CYLINDER/HEAD/SECTOR such as 3/0/5, and behind it one of "
                         f"{', '.join(':' + t for t in TROUBLES)}; not {text!r}.")
    return int(match[1]), int(match[2]), int(match[3]), trouble
