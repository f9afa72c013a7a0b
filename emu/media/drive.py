"""A floppy drive's table in a backplane file: the drive, and the disk in it."""
from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from emu.errors import InputError, nearest
from emu.media.bay import Original
from emu.media.files import open_floppy
from emu.media.geometry import parse

# Usual drives; times in ms.  Step and settle: common practice, no source; spin-up: from memory.
KINDS: Mapping[str, dict[str, Any]] = {
    "3.5": {"tracks": 80, "rpm": 300, "spin-up": 400, "step": 3, "settle": 15},
    "5.25": {"tracks": 40, "rpm": 300, "spin-up": 700, "step": 6, "settle": 15},
}
_WHOLE: Mapping[str, tuple[int, int]] = {
    "tracks": (35, 85), "sides": (1, 2), "spin-up": (0, 5000), "step": (0, 50), "settle": (0, 100),
}
DEFAULTS: Mapping[str, Any] = {
    "size": "3.5", "sides": 2, "medium": None, "blank": False, "geometry": None,
    "write-protect": False,
}
KEYS = (*DEFAULTS, *KINDS["3.5"])


def _whole(table: Mapping[str, Any], key: str, place: str) -> None:
    low, high = _WHOLE[key]
    value = table[key]
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise InputError(f"{place}: {key} takes a whole number from {low} to {high}, not "
                         f"{value!r}.")


def drive(value: Any, place: str) -> dict[str, Any] | None:
    """Check a drive's table and fill in what its size tells; None: no drive is fitted."""
    if value is None or value is False:
        return None
    if not isinstance(value, Mapping):
        raise InputError(f'{place} takes a table such as {{ size = "3.5", medium = "logs.img" }}, '
                         f"or false for no drive, not {value!r}.")
    for key in value:
        if key not in KEYS:
            raise InputError(f"{place}: unknown key {key!r}; {nearest(key, KEYS)}")
    size = value.get("size", DEFAULTS["size"])
    if not isinstance(size, str) or size not in KINDS:
        raise InputError(f"{place}: size takes {', '.join(KINDS)} (inches), not {size!r}.")
    table = {**DEFAULTS, **KINDS[size], **value}
    for key in _WHOLE:
        _whole(table, key, place)
    if type(table["rpm"]) is not int or table["rpm"] not in (300, 360):
        raise InputError(f"{place}: rpm takes 300 or 360, not {table['rpm']!r}.")
    for key in ("blank", "write-protect"):
        if not isinstance(table[key], bool):
            raise InputError(f"{place}: {key} takes true or false, not {table[key]!r}.")
    if table["medium"] is not None and not isinstance(table["medium"], str):
        raise InputError(f"{place}: medium takes a file's path, not {table['medium']!r}.")
    if table["geometry"] is not None:
        table["geometry"] = parse(table["geometry"], f"{place}: geometry")
    return table


def disk_in(table: Mapping[str, Any] | None, place: str) -> Original | None:
    """Open the disk that a drive's table names; None: the drive is empty or not there."""
    if table is None:
        return None
    geometry, protected = table["geometry"], table["write-protect"]
    if table["medium"] is None:
        return Original(None, b"", geometry, protected, False) if table["blank"] else None
    try:
        disk = open_floppy(Path(table["medium"]), geometry, protected, table["blank"])
    except InputError as error:
        raise InputError(f"{place}: {error}") from None
    held = disk.geometry
    if held is not None and (held.cylinders > table["tracks"] or held.heads > table["sides"]):
        raise InputError(f"{place}: the disk has {held.cylinders} cylinders and {held.heads} "
                         f"heads, but the drive reaches {table['tracks']} and {table['sides']}; "
                         f"change one of them.")
    return disk
