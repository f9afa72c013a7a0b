"""The files that a slot names: its images, their names and lines, the folders of the sources."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from emu.backplane.kept_images import load_kept
from emu.card.contract import Card
from emu.errors import InputError, nearest
from emu.files.image import Image, with_symbols
from emu.files.inputfile import exists
from emu.files.ramload import flat, load_files, split_address


def absent_files(card: Card, settings: Mapping[str, Any], symbols: Any) -> dict[str, Path]:
    """List the files of images and names that do not exist, by jumper, "jumper.name", or path."""
    named = {}
    for jumper in card.jumpers:
        value = settings[jumper.name]
        if jumper.kind == "file" and value is not None:
            named[jumper.name] = Path(value)
        elif jumper.kind == "files":
            named.update((f"{jumper.name}.{name}", Path(split_address(text)[0]))
                         for name, text in value.items())
    for one in symbols.values() if isinstance(symbols, Mapping) else [symbols]:
        named.update((text, Path(text)) for text in (one if isinstance(one, list) else [one])
                     if isinstance(text, str))
    return {key: path for key, path in named.items() if not exists(path)}


def there(symbols: Any, absent: Mapping[str, Path], chip: str | None) -> Any:
    """Give the symbol files that exist and whose image does; None: none of them."""
    if isinstance(symbols, Mapping):
        gone = {key.rpartition(".")[2] for key in absent}
        return {name: found for name, one in symbols.items() if name not in gone
                and (found := there(one, absent, None))} or None
    names = [symbols] if isinstance(symbols, str) else symbols or []
    return None if chip in absent else [n for n in names if n not in absent] or None


def without(card: Card, settings: Mapping[str, Any], absent: Mapping[str, Path]
             ) -> dict[str, Any]:
    """Give the settings without the files that are not there."""
    out = dict(settings)
    for jumper in card.jumpers:
        if jumper.name in absent:
            out[jumper.name] = None
        elif jumper.kind == "files":
            out[jumper.name] = {name: text for name, text in settings[jumper.name].items()
                                if f"{jumper.name}.{name}" not in absent}
    return out


def load_images(card: Card, settings: Mapping[str, Any], place: str) -> dict[str, Image]:
    out = {}
    for jumper in card.jumpers:
        value = settings[jumper.name]
        if jumper.kind == "file" and value is not None:
            try:
                out[jumper.name] = load_kept(Path(value))
                out[jumper.name].flatten(card.image_size(settings))
            except InputError as error:
                raise InputError(f"{place}: {error}") from None
        elif jumper.kind == "files":
            loaded = load_files(value, card.ram_window(settings), f"{place}: {jumper.name}")
            out.update((f"{jumper.name}.{name}", image) for name, image in loaded.items())
    return out


def _symbol_files(files: Any, chip: str | None, images: Mapping[str, Image],
                  place: str) -> dict[str, list[str]]:
    """Give the symbol files of each image: a table names them by "image" or a loaded file."""
    known = {key.rpartition(".")[2]: key for key in images}
    if not isinstance(files, Mapping):
        only = next(iter(images), None) if len(images) == 1 else None
        home = chip if chip in images else only
        if home is None:
            raise InputError(f"{place}: symbols belong to an image; give the slot an image.")
        files, known = {"": files}, {"": home}
    out = {}
    for name, value in files.items():
        names = [value] if isinstance(value, str) else value
        if not isinstance(names, list) or not all(isinstance(n, str) for n in names):
            raise InputError(f'{place}: symbols takes a file or a list of files, such as '
                             f'symbols = "driver.map", not {value!r}.')
        if name not in known:
            raise InputError(f"{place}: symbols names the image {name!r}; {nearest(name, known)}")
        out[known[name]] = names
    return out


def add_names(images: dict[str, Image], chip: str | None, files: Any,
                  place: str) -> dict[str, Image]:
    """Add the names and lines of symbol files to the images in the slot's chip and RAM."""
    if files is None:
        return images
    out = dict(images)
    for key, names in _symbol_files(files, chip, images, place).items():
        image = with_symbols(images[key], map(Path, names))
        out[key] = image if key == chip else replace(image, symbols=flat(image.symbols))
    return out


def source_folders(value: Any, place: str) -> tuple[Path, ...]:
    folders = [value] if isinstance(value, str) else value
    if not isinstance(folders, list) or not all(isinstance(n, str) for n in folders):
        raise InputError(f'{place}: sources takes a folder or a list of folders, such as '
                         f'sources = ["src"], not {value!r}.')
    return tuple(map(Path, folders))
