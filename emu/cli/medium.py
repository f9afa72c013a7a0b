"""``preburn medium``: make floppy images, look into them, bring files in and out."""
from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from emu.cli.say import say, say_json
from emu.errors import InputError

Function = TypeVar("Function", bound=Callable[..., Any])
KINDS = click.Choice(["fat12", "tidewater"])


def disk_options(function: Function) -> Function:
    """Give a command the image FILE, --geometry and --json."""
    for decorate in (
            click.option("--json", "as_json", is_flag=True, help="Print one JSON object."),
            click.option("--geometry", help="720K, or 80x2x9x512: cylinders, heads, sectors, "
                                            "bytes; else the file's size tells it."),
            click.argument("file", type=click.Path(path_type=Path))):
        function = decorate(function)
    return function


@click.group()
def command() -> None:
    """Make floppy images, look into them, bring files in and out.

    An image holds the sectors in the order cylinder, head, sector number. It is only changed
    by create, format, import and remove, and then whole or not at all.
    """


@command.command()
@disk_options
@click.option("--fill", default="F6", show_default=True, help="The byte in all sectors, in hex.")
@click.option("--files", type=KINDS, help="Put an empty file system on it.")
@click.option("--label", default="", help="The file system's name.")
@click.option("--unformatted", is_flag=True, help="Leave it as it came from the shop.")
@click.option("--interleave", type=int, default=1, show_default=True,
              help="The next sector number stands so many places on.")
@click.option("--skew", type=int, default=0, show_default=True,
              help="Places that numbering starts later on each further track.")
@click.option("--bad", multiple=True, help="CYLINDER/HEAD/SECTOR that cannot be read; with :id or "
                                           ":missing behind it its ID is bad or gone.")
@click.option("--replace", is_flag=True, help="Overwrite a file that is there.")
def create(file: Path, geometry: str | None, as_json: bool, fill: str, files: str | None,
           label: str, unformatted: bool, interleave: int, skew: int, bad: tuple[str, ...],
           replace: bool) -> None:
    """Make a disk image FILE.

    A FILE that ends in .tracks holds the disk as it lies there, with gaps, marks and CRCs: only
    such a file can be unformatted, interleaved or have bad sectors. Any other file holds the
    sectors' bytes and nothing else.
    """
    from emu.media.create import Wish, new_disk
    from emu.media.image import format_name

    if file.exists() and not replace:
        raise InputError(f"{file}: is there already; say --replace to overwrite it.")
    disk = new_disk(file, Wish(geometry, fill, files, label, unformatted, interleave, skew, bad))
    disk.save()
    shape = disk.image.geometry
    _done(as_json, f"{file}: {format_name(shape)}, {shape.size} bytes", file=str(file),
          bytes=shape.size)


@command.command()
@disk_options
@click.argument("target", type=click.Path(path_type=Path))
@click.option("--replace", is_flag=True, help="Overwrite a file that is there.")
def convert(file: Path, geometry: str | None, as_json: bool, target: Path,
            replace: bool) -> None:
    """Copy the image FILE to TARGET: as tracks if that ends in .tracks, else as raw sectors."""
    from emu.media.disk import Disk
    from emu.media.trackfile import SUFFIX

    if target.exists() and not replace:
        raise InputError(f"{target}: is there already; say --replace to overwrite it.")
    disk = Disk.open(file, geometry)
    if target.suffix != SUFFIX and disk.image.unreadable:
        disk.image.block(min(disk.image.unreadable))  # which says where and why
    tracks = disk.laid() if target.suffix == SUFFIX else None
    Disk(target, disk.image, tracks).save()
    _done(as_json, f"{target}: a copy of {file}", file=str(target))


@command.command("format")
@disk_options
@click.option("--files", type=KINDS, required=True, help="The file system.")
@click.option("--label", default="", help="The file system's name.")
def format_(file: Path, geometry: str | None, as_json: bool, files: str, label: str) -> None:
    """Put an empty file system on the image FILE; what was on it is lost."""
    from emu.media.disk import Disk
    from emu.media.mounting import make

    disk = Disk.open(file, geometry)
    free = make(disk.image, files, label).free()
    disk.save()
    _done(as_json, f"{file}: {files}, {free} bytes free", file=str(file), files=files, free=free)


@command.command()
@disk_options
@click.option("--tracks", is_flag=True, help="List the sectors of every track as they pass.")
def show(file: Path, geometry: str | None, as_json: bool, tracks: bool) -> None:
    """Say what is on the image FILE: geometry, sectors, bad ones, files, free space."""
    from emu.media.disk import Disk
    from emu.media.report import lines, report

    known = report(Disk.open(file, geometry), tracks)
    if as_json:
        say_json(known)
    else:
        say("\n".join(lines(known)))


@command.command("list")
@disk_options
def list_(file: Path, geometry: str | None, as_json: bool) -> None:
    """List the files on the image FILE."""
    from emu.media.disk import Disk
    from emu.media.mounting import need
    from emu.media.report import files_of

    found = files_of(need(Disk.open(file, geometry).image))
    if as_json:
        say_json({"file": str(file), "files": found})
        return
    for row in found:
        size = "folder" if row["folder"] else row["bytes"]
        say(f"{size:>9} {row['when'] or '-':19} {row['name']}")


@command.command()
@disk_options
@click.option("--track", type=int, help="Cylinder.")
@click.option("--head", type=int, default=0, show_default=True)
@click.option("--sector", type=int, help="Sector number; else the whole track.")
@click.option("--block", type=int, help="Sector by its place in the image, from 0.")
@click.option("--count", type=click.IntRange(min=1), default=1, show_default=True,
              help="Sectors to show from there on.")
@click.option("--name", help="The sectors of this file.")
def dump(file: Path, geometry: str | None, as_json: bool, track: int | None, head: int,
         sector: int | None, block: int | None, count: int, name: str | None) -> None:
    """Show sectors of the image FILE in hex: by --track, by --block, or of a file."""
    from emu.media.disk import Disk
    from emu.media.mounting import need
    from emu.media.report import hex_lines

    disk = Disk.open(file, geometry)
    if sum(choice is not None for choice in (track, block, name)) != 1:
        raise InputError("dump takes one of --track, --block and --name.")
    if name is not None:
        blocks = need(disk.image).blocks_of(name)
    elif track is not None:
        shape = disk.image.geometry
        first = disk.image.number(track, head, shape.first_sector if sector is None else sector)
        blocks = list(range(first, first + (shape.sectors if sector is None else count)))
    else:
        blocks = list(range(block or 0, (block or 0) + count))
    if as_json:
        rows = [{"block": n, "place": disk.image.where(n), "hex": disk.image.block(n).hex()}
                for n in blocks]
        say_json({"file": str(file), "sectors": rows})
    else:
        say("\n".join(line for n in blocks for line in hex_lines(disk.image, n)))


@command.command("import")
@disk_options
@click.argument("sources", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--as", "name", help="The name on the disk, for one source.")
@click.option("--replace", is_flag=True, help="Overwrite files of the same name.")
def import_(file: Path, geometry: str | None, as_json: bool, sources: tuple[Path, ...],
            name: str | None, replace: bool) -> None:
    """Bring the files SOURCES onto the image FILE."""
    from emu.files.inputfile import read_limited
    from emu.media.disk import Disk
    from emu.media.mounting import need

    disk = Disk.open(file, geometry)
    files = need(disk.image)
    if name is not None and len(sources) > 1:
        raise InputError(f"--as names one file, and there are {len(sources)} sources.")
    for source in sources:
        target = name or source.name
        data = read_limited(source, "file", empty=True)
        if replace and any(entry.name.lower() == target.lower() for entry in files.entries()):
            files.remove(target)
        files.write(target, data, int(source.stat().st_mtime))
    disk.save()
    _done(as_json, f"{file}: {len(sources)} file{'s' * (len(sources) > 1)} added, "
                   f"{files.free()} bytes free", file=str(file), free=files.free())


@command.command("export")
@disk_options
@click.argument("names", nargs=-1)
@click.option("--to", "target", type=click.Path(path_type=Path), default=".",
              help="A folder, or for one file the file to write.")
@click.option("--replace", is_flag=True, help="Overwrite files that are there.")
def export(file: Path, geometry: str | None, as_json: bool, names: tuple[str, ...],
           target: Path, replace: bool) -> None:
    """Take the files NAMES (all when none is named) off the image FILE."""
    from emu.files.atomic import write_atomic
    from emu.media.disk import Disk
    from emu.media.mounting import need

    files = need(Disk.open(file, geometry).image)
    wanted = names or tuple(e.name for e in files.entries() if not e.folder)
    if not target.is_dir() and len(wanted) != 1:
        raise InputError(f"{target}: is no folder; name one with --to for {len(wanted)} files.")
    plan = [(target / _own_name(name) if target.is_dir() else target, files.read(name))
            for name in wanted]
    targets: dict[Path, str] = {}
    for (path, _), name in zip(plan, wanted, strict=True):
        if path in targets:
            raise InputError(f"{path}: both {targets[path]!r} and {name!r} would become this file; "
                             f"take them off one by one, with --to FILE.")
        targets[path] = name
        if path.is_symlink():
            raise InputError(f"{path}: is a link, which is not followed; remove it, or name "
                             f"another folder.")
        if path.exists() and not replace:
            raise InputError(f"{path}: is there already; say --replace to overwrite it.")
    for path, data in plan:
        write_atomic(path, data)
    _done(as_json, "\n".join(f"{path}: {len(data)} bytes" for path, data in plan),
          files=[{"file": str(path), "bytes": len(data)} for path, data in plan])


def _own_name(name: str) -> str:
    """Give the name that a file of a disk gets in a folder, always one of a file in it."""
    own = re.sub(r"[/\\\x00-\x1f\x7f-\x9f]", "-", name)
    return own if own.strip(". ") else f"file{own.replace('.', '-')}"


@command.command()
@disk_options
@click.argument("names", nargs=-1, required=True)
def remove(file: Path, geometry: str | None, as_json: bool, names: tuple[str, ...]) -> None:
    """Take the files NAMES out of the image FILE."""
    from emu.media.disk import Disk
    from emu.media.mounting import need

    disk = Disk.open(file, geometry)
    files = need(disk.image)
    for name in names:
        files.remove(name)
    disk.save()
    _done(as_json, f"{file}: {len(names)} removed, {files.free()} bytes free", file=str(file),
          free=files.free())


def _done(as_json: bool, text: str, **facts: Any) -> None:
    if as_json:
        say_json(facts)
    else:
        say(text)
