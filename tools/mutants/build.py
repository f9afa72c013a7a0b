"""Make a mutant's machine in a folder of its own; built images are kept by their content."""
from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import build_c
import build_roms

from mutants import backplane_file
from mutants.burning import burned
from mutants.kernel import Kernel, load_tree
from mutants.model import BINARY, Mutant, apply
from mutants.symbols import Symbols

BUILT = (".elf", ".bin", ".noi")
WITH, BARE = "symbols", "bare"


class Unbuildable(Exception):
    """The tools refuse the mutant: it is none."""


@dataclass(frozen=True)
class Machines:
    """The backplane files of one mutant, by ``symbols`` and ``bare``, and where names stand."""

    files: dict[str, Path]
    symbols: Symbols


def cache_folder() -> Path:
    """Return where built images are kept."""
    cache = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(cache) / "preburn" / "mutants"


def make(kernel: Kernel, mutant: Mutant | None, folder: Path) -> Machines:
    """Make a mutant, or (None) the healthy program, in an empty folder; or Unbuildable."""
    work = folder / kernel.name
    shutil.copytree(kernel.folder, work)
    edits = mutant.edits if mutant else ()
    for file in {edit.file for edit in edits}:
        path = work / file
        path.write_text(apply(path.read_text(), (e for e in edits if e.file == file)))
    try:
        recipe = tomllib.loads((work / "build.toml").read_text())["image"]
        tree = load_tree(work / "machine.toml")
    except (tomllib.TOMLDecodeError, KeyError) as error:
        raise Unbuildable(str(error)) from None
    image = next(i for i in recipe if i["name"] == kernel.image["name"])
    for path in _built(work, image):
        shutil.copyfile(path, work / path.name)
    flat = work / f"{image['name']}.bin"
    if mutant and mutant.burn:
        flat.write_bytes(burned(flat.read_bytes(), mutant.burn))
    tree = backplane_file.changed(tree, mutant.settings if mutant else ())
    kinds = [BARE] if mutant and mutant.kind == BINARY else [WITH, BARE]
    files = {}
    for kind in kinds:
        machine = _with_image(tree, kernel.memory, image["name"], kind, kernel.in_c,
                              (work / f"{image['name']}.noi").exists())
        if machine is not None:
            files[kind] = work / f"{kind}.toml"
            files[kind].write_text(backplane_file.write(machine))
    return Machines(files, Symbols.of(work / f"{image['name']}.elf",
                                      work / f"{image['name']}.noi"))


def _with_image(tree: dict[str, Any], slot: str, name: str, kind: str, in_c: bool,
                listed: bool) -> dict[str, Any] | None:
    """Put the image with or without symbols into the machine; None when there are no symbols."""
    if kind == WITH and in_c and not listed:
        return None
    table = {key: value for key, value in tree["slot"][slot].items() if key != "symbols"}
    table["image"] = f"{name}.elf" if kind == WITH and not in_c else f"{name}.bin"
    if kind == WITH and in_c:
        table["symbols"] = [f"{name}.noi"]
    return {**tree, "slot": {**tree["slot"], slot: table}}


def _key(work: Path, image: dict[str, Any]) -> str:
    """Give the hash of all that an image is made from."""
    digest = hashlib.sha256(repr(sorted(image.items())).encode())
    sources = [path for path in sorted(work.iterdir())
               if path.is_file() and path.suffix not in (*BUILT, ".toml", ".img")]
    for path in [*sources, Path(build_roms.__file__), Path(build_c.__file__)]:
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    digest.update(work.name.encode())
    return digest.hexdigest()[:32]


def _built(work: Path, image: dict[str, Any]) -> list[Path]:
    """Return the built files of an image, from the cache or freshly made."""
    kept = cache_folder() / _key(work, image)
    if not kept.exists():
        kept.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=kept.parent) as temporary:
            made = Path(temporary) / "made"
            made.mkdir()
            try:
                build_roms.build_image(build_roms.toolchain_folder(), work, image, made)
            except build_roms.BuildError as error:
                (made / "refused").write_text(error.message)
            try:
                made.rename(kept)
            except OSError:  # another process was quicker
                if not kept.exists():
                    raise
    if (kept / "refused").exists():
        raise Unbuildable((kept / "refused").read_text())
    return sorted(kept.iterdir())
