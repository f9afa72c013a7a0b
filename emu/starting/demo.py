"""The demo system in a folder of one's own: the sources, the ROM, the machines."""
from __future__ import annotations

from pathlib import Path

from emu.errors import InputError
from emu.starting.files import check_folder, write_all

HERE = Path(__file__).resolve().parent.parent
INSTALLED, CLONED = HERE / "demo", HERE.parent / "roms" / "tidewater"
MADE = (".o", ".img", ".pyc")  # suffixes of what building and running leave in a clone
MADE_NAMES = ("romdisk.bin", "__init__.py")


def demo_files() -> dict[str, bytes]:
    """Give the files of the demo system by name, as installed, or as they stand in a clone."""
    source = INSTALLED if INSTALLED.is_dir() else CLONED
    found = {path.relative_to(source).as_posix(): path.read_bytes()
             for path in sorted(source.rglob("*"))
             if path.is_file() and path.suffix not in MADE and path.name not in MADE_NAMES}
    if not found:
        raise InputError(f"{INSTALLED}: the demo system is not installed; install preburn anew.")
    return found


def lay_out(folder: Path) -> list[Path]:
    """Write the demo system into a new folder, whole or not at all; give its files."""
    check_folder(folder)
    return write_all(folder, demo_files())
