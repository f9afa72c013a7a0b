"""What a disk holds, as plain data and in words."""
from __future__ import annotations

from typing import Any

from emu.errors import InputError
from emu.media.disk import MISSING, Disk, trouble_of
from emu.media.filesystem import FileSystem
from emu.media.image import SectorImage, format_name
from emu.media.mounting import mount
from emu.media.track import Sector


def files_of(files: FileSystem) -> list[dict[str, Any]]:
    """List files as plain data."""
    return [{"name": e.name, "bytes": e.length, "block": e.first, "when": e.when,
             "folder": e.folder} for e in files.entries()]


def report(disk: Disk, every_track: bool) -> dict[str, Any]:
    """Gather what is on a disk: geometry, tracks, bad sectors, file system, free space."""
    geometry = disk.image.geometry
    tracks = [(c, h, disk.track(c, h)) for c in range(geometry.cylinders)
              for h in range(geometry.heads)]
    blank = {(c, h) for c, h, found in tracks if not found}
    out: dict[str, Any] = {
        "file": str(disk.path), "geometry": format_name(geometry),
        "cylinders": geometry.cylinders, "heads": geometry.heads, "sectors": geometry.sectors,
        "sector_size": geometry.sector_size, "rate": geometry.rate, "rpm": geometry.rpm,
        "order": next(([s.number for s in found] for _, _, found in tracks if found), []),
        "bad_sectors": [{"cylinder": c, "head": h, "sector": s.number, "trouble": trouble_of(s)}
                        for c, h, found in tracks for s in found if trouble_of(s)],
        "missing_sectors": [disk.image.where(block)
                            for block, why in disk.image.unreadable.items()
                            if why == MISSING and disk.image.where(block)[:2] not in blank],
        "unformatted_tracks": sorted(map(list, blank)),
        "uniform_tracks": [[c, h, data] for c, h, found in tracks
                           if (data := _uniform(found)) is not None],
    }
    if every_track:
        out["tracks"] = [{"cylinder": c, "head": h, "sectors": [s.number for s in found]}
                         for c, h, found in tracks]
    try:
        out["file_system"] = _files(disk)
    except InputError as error:
        out["file_system"], out["damage"] = None, str(error)
    return out


def _files(disk: Disk) -> dict[str, Any] | None:
    """Say what file system is on a disk, None when there is none that can be read."""
    files = mount(disk.image)
    return None if files is None else {
        "kind": files.kind, "label": files.label, "files": files_of(files), "free": files.free(),
        "bad": [disk.image.where(block) for block in files.bad_blocks()],
        "problems": files.problems()}


def _uniform(found: list[Sector]) -> str | None:
    """Give the one byte that fills a whole track, as hex; None when it holds more."""
    held = {byte for sector in found for byte in sector.data or b""}
    return f"{held.pop():02X}" if len(held) == 1 else None


def lines(known: dict[str, Any]) -> list[str]:
    """Write a report for a reader."""
    bad, blank = known["bad_sectors"], known["unformatted_tracks"]
    out = [f"{known['file']}: {known['geometry']}, {known['cylinders']} cylinders, "
           f"{known['heads']} heads, {known['sectors']} sectors of {known['sector_size']} bytes",
           f"recorded at {known['rate']} kbit/s, {known['rpm']} rpm; order on the track: "
           f"{' '.join(map(str, known['order'])) or 'none'}",
           *(f"bad: cylinder {b['cylinder']}, head {b['head']}, sector {b['sector']}: "
             f"{b['trouble']}" for b in bad),
           *(f"missing: cylinder {c}, head {h}, sector {r}"
             for c, h, r in known["missing_sectors"])]
    if blank:
        out.append(f"unformatted: {len(blank)} tracks, the first at cylinder {blank[0][0]}, head "
                   f"{blank[0][1]}")
    for track in known.get("tracks", ()):
        out.append(f"{track['cylinder']:3}/{track['head']}: {' '.join(map(str, track['sectors']))}")
    files = known["file_system"]
    if "damage" in known:
        return [*out, f"file system: {known['damage']}"]
    if files is None:
        uniform, count = known["uniform_tracks"], known["cylinders"] * known["heads"]
        return [*out, "no file system" + (f"; {len(uniform)} of {count} tracks hold one byte only"
                                          if uniform else "")]
    named = f", named {files['label']}" if files["label"] else ""
    out.append(f"file system: {files['kind']}{named}, {len(files['files'])} files, "
               f"{files['free']} bytes free")
    out += [f"out of use: cylinder {c}, head {h}, sector {r}" for c, h, r in files["bad"]]
    return out + [f"problem: {text}" for text in files["problems"]]


def hex_lines(image: SectorImage, block: int) -> list[str]:
    """Write a sector in hex: a heading, then 16 bytes a line; repeated lines are left out."""
    cylinder, head, number = image.where(block)
    out = [f"block {block}: cylinder {cylinder}, head {head}, sector {number}"]
    data, last = image.block(block), b""
    for at in range(0, len(data), 16):
        row = data[at:at + 16]
        if row == last:
            out += ["  ..."] if out[-1] != "  ..." else []
            continue
        text = "".join(chr(b) if 32 <= b < 127 else "." for b in row)
        out.append(f"  {at:04X}  {row.hex(' ').upper():47}  {text}")
        last = row
    return out
