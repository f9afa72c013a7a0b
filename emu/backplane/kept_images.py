"""Images that were read before, with their names and lines, kept in the cache.

Reading the symbols and lines of an ELF file takes a third of a second; what they are changes
only with the file and with the sources that read it, so it is kept beside the machine code,
keyed by a hash of both.
"""
from __future__ import annotations

import hashlib
import os
import pickle
import sys
from contextlib import suppress
from dataclasses import replace
from functools import cache, lru_cache
from pathlib import Path

from emu import errors
from emu.files import image as reader
from emu.files.image import Image, load_image
from emu.files.inputfile import is_elf, read_limited
from emu.native.cache import cache_folder

MOST = 200  # images kept, the latest used
SUM = 32  # bytes of the checksum that a kept image begins with


def load_kept(path: Path) -> Image:
    """Load an image as `load_image` does, from the cache if it is an ELF file read before."""
    data = read_limited(path, "image")
    if not is_elf(data):
        return load_image(path)
    return replace(_known(data, path, cache_folder() / "images"), path=path)


@lru_cache(maxsize=8)  # a sweep describes one image in many machines
def _known(data: bytes, path: Path, folder: Path) -> Image:
    place = folder / f"{_key(data)}.image"
    found = _read(place)
    if found is None:
        found = load_image(path)
        _keep(place, found)
    return found


@cache
def _sources() -> bytes:
    digest = hashlib.sha256(sys.version.encode())
    for source in (Path(__file__), Path(errors.__file__),
                   *sorted(Path(reader.__file__).parent.glob("*.py"))):
        digest.update(source.read_bytes())
    return digest.digest()


def _key(data: bytes) -> str:
    return hashlib.sha256(_sources() + data).hexdigest()[:32]


def _read(place: Path) -> Image | None:
    """Read a kept image; None when there is none, or not as it was written."""
    try:
        kept = place.read_bytes()
        os.utime(place)
    except OSError:
        return None
    if hashlib.sha256(kept[SUM:]).digest() != kept[:SUM]:
        return None
    found: Image = pickle.loads(kept[SUM:])
    return found


def _keep(place: Path, image: Image) -> None:
    """Keep an image, and no more than MOST; a cache that cannot be written is passed over."""
    content = pickle.dumps(image, pickle.HIGHEST_PROTOCOL)
    draft = place.with_suffix(f".{os.getpid()}")
    try:
        place.parent.mkdir(mode=0o700, exist_ok=True)
        draft.write_bytes(hashlib.sha256(content).digest() + content)
        os.replace(draft, place)
        old = sorted(place.parent.glob("*.image"), key=lambda one: one.stat().st_mtime)
        for one in old[:-MOST]:
            one.unlink(missing_ok=True)
    except OSError:
        with suppress(OSError):
            draft.unlink()
