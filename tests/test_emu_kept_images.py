"""Images from the cache: the same as read anew, and never an old or damaged one."""
from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from emu.backplane import kept_images
from emu.backplane.kept_images import load_kept
from emu.errors import InputError
from emu.files.image import load_image

ROM = Path(__file__).parent.parent / "roms" / "broken" / "dma" / "dma-print.elf"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(kept_images, "cache_folder", lambda: tmp_path)
    return tmp_path / "images"


def test_a_kept_image_is_the_one_that_was_read(folder: Path, tmp_path: Path) -> None:
    wanted = load_image(ROM)
    assert load_kept(ROM) == wanted
    kept_images._known.cache_clear()  # as in another process
    assert load_kept(ROM) == wanted
    assert len(list(folder.iterdir())) == 1
    moved = tmp_path / "moved.elf"
    moved.write_bytes(ROM.read_bytes())
    found = load_kept(moved)
    assert found.path == moved and found.symbols == wanted.symbols
    assert len(list(folder.iterdir())) == 1


def test_a_damaged_one_is_read_anew(folder: Path) -> None:
    wanted = load_kept(ROM)
    kept, = folder.iterdir()
    content = kept.read_bytes()
    kept.write_bytes(content[:40] + bytes([content[40] ^ 1]) + content[41:])
    kept_images._known.cache_clear()  # as in another process
    assert load_kept(ROM) == wanted
    assert kept.read_bytes() == content


def test_a_file_that_changes_is_read_anew(folder: Path, tmp_path: Path) -> None:
    changed = tmp_path / "rom.elf"
    changed.write_bytes(ROM.read_bytes())
    before = load_kept(changed)
    data = bytearray(ROM.read_bytes())
    data[0x40:0x48] = b"\xff" * 8  # in the program header: nothing to load
    changed.write_bytes(data)
    with pytest.raises(InputError):
        load_kept(changed)
    assert load_kept(ROM).segments == before.segments


def test_a_cache_that_cannot_be_written_is_passed_over(tmp_path: Path,
                                                       monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "file"
    place.write_text("no folder")
    monkeypatch.setattr(kept_images, "cache_folder", lambda: place)
    assert load_kept(ROM) == load_image(ROM)


def test_only_so_many_are_kept(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_images, "MOST", 3)
    for rom in sorted(ROM.parent.glob("*.elf"))[:5]:
        load_kept(rom)
    assert len(list(folder.iterdir())) == 3


def test_the_elf_library_is_not_loaded_for_a_kept_image() -> None:
    load_kept(ROM)
    code = (f"from pathlib import Path\nfrom emu.backplane.kept_images import load_kept\n"
            f"import sys\nload_kept(Path({str(ROM)!r}))\n"
            f"print('elftools.elf.elffile' in sys.modules)")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"
