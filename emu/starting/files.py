"""The files of a new project, as text."""
from __future__ import annotations

import contextlib
from pathlib import Path

from emu.errors import InputError
from emu.files.atomic import write_atomic
from emu.files.image import load_image
from emu.files.inputfile import read_limited
from emu.romtools.chip import end_of
from emu.starting.choices import Choices, backplane
from emu.starting.starter import project, sources


def check_folder(folder: Path) -> None:
    """Look whether a project may be started there; InputError when something is there."""
    try:
        free = not folder.exists() or (folder.is_dir() and not any(folder.iterdir()))
    except OSError as error:
        raise InputError(f"{folder}: cannot be read: {error.strerror}; name another "
                         f"folder.") from None
    if not free:
        raise InputError(f"{folder}: is there already and not empty; name a new folder.")


def start(folder: Path, choices: Choices, rom: Path | None) -> list[Path]:
    """Make the project, whole or not at all; give its files.

    ``rom`` is copied into images/ when given.  Raises InputError when the folder holds
    something already, or the ROM is no image or fits its chip not.
    """
    check_folder(folder)
    content = b""
    if rom is not None:
        needed, room = end_of(load_image(rom)), choices.rom_bytes()
        if needed > room:
            mend = ("choose --memory banked or a larger --rom-size"
                    if choices.memory == "plain" else "link it lower")
            raise InputError(f"{rom}: reaches {needed - 1:X}h, beyond the {room >> 10} KiB of "
                             f"{choices.memory} memory; {mend}.")
        content = read_limited(rom, "image")
    texts = {"machine.toml": backplane(choices), **project(choices), **sources(choices)}
    contents = {name: text.encode("utf-8") for name, text in texts.items()}
    if content:
        contents[choices.image] = content
    elif choices.language == "none":
        contents["images/README"] = b"ROM images: raw binary, Intel HEX, S-record or ELF.\n"
    return write_all(folder, contents)


def write_all(folder: Path, contents: dict[str, bytes]) -> list[Path]:
    """Write the files; take all away again when one cannot be written."""
    made = []
    folders = sorted({(folder / name).parent for name in contents}, reverse=True)
    fresh = [path for path in folders if not path.exists()]
    try:
        try:
            for path in folders:
                path.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(f"{folder}: cannot be made: {error.strerror}; name another "
                             f"folder.") from None
        for name, data in contents.items():
            write_atomic(folder / name, data)
            made.append(folder / name)
    except BaseException:
        for path in made:
            path.unlink(missing_ok=True)
        for path in fresh:
            with contextlib.suppress(OSError):
                path.rmdir()
        raise
    return made
