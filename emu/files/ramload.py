"""Files that stand in RAM when the power comes on, as a loader would have left them.

The table of a "files" jumper names them: ``ram-load.program = "program.bin@0x100"``.  A raw
binary needs the address of its first byte; the other kinds of file carry theirs.
"""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from emu.errors import InputError
from emu.files.image import KINDS, Image, load_image
from emu.files.segment import Segment
from emu.files.symbols import SymbolTable, parse_number


def split_address(text: str) -> tuple[str, int | None]:
    """Split "program.bin@0x100" into a path and an address, None where none is given."""
    path, at, tail = text.rpartition("@")
    address = parse_number(tail) if at else None
    return (text, None) if address is None else (path, address)


def _load(text: str) -> Image:
    """Load one file; its names answer wherever the RAM card puts them."""
    path, address = split_address(text)
    image = load_image(Path(path), base=address or 0)
    if address is None and image.kind == "raw":
        raise InputError(f"{path}: is a {KINDS['raw']}; say where its first byte goes, such as "
                         f'"{Path(path).name}@0x100".')
    return replace(image, symbols=flat(image.symbols))


def flat(names: SymbolTable) -> SymbolTable:
    """Let names answer in every page."""
    return SymbolTable(tuple(s._replace(physical=None) for s in names.symbols),
                       tuple(s._replace(physical=None) for s in names.lines), (), names.folders)


def _check(segment: Segment, window: tuple[int, int], path: Path) -> None:
    """Refuse what stands outside the RAM."""
    start, end = window
    if start == end:
        raise InputError(f"{path}: there is no RAM to load it into; give the RAM's size.")
    if not start <= segment.physical <= segment.end <= end:
        raise InputError(f"{path}: holds {segment.physical:04X}h to {segment.end - 1:04X}h, but "
                         f"the RAM stands at {start:04X}h to {end - 1:04X}h; move one of them.")


def load_files(files: Mapping[str, str], window: tuple[int, int],
               place: str) -> dict[str, Image]:
    """Load the files of a table, by name; ``window`` is where the RAM stands, end exclusive.

    Raises InputError when a file does not fit, or two want the same byte.
    """
    images = {}
    taken: list[tuple[int, int, Path]] = []
    for name, text in files.items():
        here = f"{place}.{name}"
        try:
            image = _load(text)
            for segment in image.segments:
                _check(segment, window, image.path)
                for start, end, other in taken:
                    if segment.physical < end and start < segment.end:
                        raise InputError(
                            f"{image.path}: holds {segment.physical:04X}h to "
                            f"{segment.end - 1:04X}h, where {other} holds {start:04X}h to "
                            f"{end - 1:04X}h; move one of them.")
        except InputError as error:
            raise InputError(f"{here}: {error}") from None
        taken += [(s.physical, s.end, image.path) for s in image.segments]
        images[name] = image
    return images
