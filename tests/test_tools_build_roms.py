"""Recipes, images and ROM disks of tools/build_roms.py and roms/tidewater/romdisk.py."""

import importlib.util
import random
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from emu.files.symbol_loading import load_symbols

PROJECT = Path(__file__).resolve().parent.parent
TIDEWATER = PROJECT / "roms" / "tidewater"

spec = importlib.util.spec_from_file_location("build_roms", PROJECT / "tools" / "build_roms.py")
build_roms = importlib.util.module_from_spec(spec)
spec.loader.exec_module(build_roms)
romdisk = sys.modules["romdisk"]

TOOLS = build_roms.toolchain_folder()
PREFIX = f"{TOOLS}/bin/{build_roms.TARGET}-"
needs_toolchain = pytest.mark.skipif(
    not Path(f"{PREFIX}ld").exists(),
    reason="no cross assembler: run tools/build_roms.py --toolchain-only",
)
needs_sdcc = pytest.mark.skipif(not shutil.which("sdcc"), reason="no sdcc: see DEVELOPERS.md")

SCRIPT = """
OUTPUT_ARCH(z80)
SECTIONS
{
  .text 0 : { *(.text) }
  .high 0x4000 : AT(0x150) { *(.high) }
  .bss 0x8000 (NOLOAD) : AT(0x80000) { *(.bss) }
}
"""
SOURCE = """
        .include "names.inc"
start:  ld a, VALUE
        jp far
        .section .high, "ax"
far:    jr far
        .incbin "romdisk.bin"
        .section .bss
room:   .space 100
"""

C_START = """
        .module start
        .globl _main
        .area _HEADER (ABS)
        .org 0
        jp _main
        .area _CODE
        .area _DATA
"""
C_SOURCE = """static volatile unsigned char level;

void main(void)
{
    for (;;)
        level++;
}
"""


@pytest.fixture
def recipe(tmp_path: Path) -> Path:
    """Return the build.toml of a small ROM of two sections and a disk."""
    return write_rom(tmp_path / "small")


def write_rom(folder: Path, value: int = 5) -> Path:
    (folder / "files").mkdir(parents=True)
    (folder / "files" / "note").write_text("hello")
    (folder / "small.s").write_text(SOURCE)
    (folder / "names.inc").write_text(f"        .equ VALUE, {value}\n")
    (folder / "small.ld").write_text(SCRIPT)
    text = '[[image]]\nname = "small"\nsources = ["small.s"]\nscript = "small.ld"\n'
    (folder / "build.toml").write_text(text + 'romdisk = "files"\npad_to = 1024\n')
    return folder / "build.toml"


def run(*arguments: object):
    return CliRunner().invoke(build_roms.main, [str(argument) for argument in arguments])


@needs_toolchain
def test_committed_roms_are_what_their_sources_build():
    result = run("--check")
    assert result.output == ""
    assert result.exit_code == 0


@needs_toolchain
def test_build_lays_segments_at_their_load_addresses(recipe: Path):
    assert run(recipe.parent).exit_code == 0
    flat = (recipe.parent / "small.bin").read_bytes()
    assert len(flat) == 1024
    # UM0080: LD A,n is 3E n, JP nn is C3 low high, JR e is 18 e-2.
    assert flat[:5] == bytes([0x3E, 5, 0xC3, 0x00, 0x40])
    assert set(flat[5:0x150]) == {0xFF}
    assert flat[0x150:0x152] == bytes([0x18, 0xFE])
    assert romdisk.unpack(flat[0x152:]) == {"note": b"hello"}


@needs_toolchain
@pytest.mark.parametrize("elf", ["small", "tidewater"])
def test_flatten_agrees_with_objcopy(recipe: Path, elf: str, tmp_path: Path):
    """GNU objcopy -O binary is the outside reading of the same program headers."""
    assert run(recipe.parent).exit_code == 0
    path = recipe.parent / "small.elf" if elf == "small" else TIDEWATER / "tidewater.elf"
    copied = tmp_path / "copied.bin"
    command = [f"{PREFIX}objcopy", "-O", "binary", "--gap-fill", "0xFF", str(path), str(copied)]
    subprocess.run(command, check=True)
    assert build_roms.flatten(path) == copied.read_bytes()


@needs_toolchain
def test_same_bytes_wherever_the_sources_lie(recipe: Path, tmp_path: Path):
    other = write_rom(tmp_path / "a long way down" / "small")
    assert run(recipe.parent, other.parent).exit_code == 0
    for name in ("small.elf", "small.bin"):
        assert (recipe.parent / name).read_bytes() == (other.parent / name).read_bytes()


def write_c(folder: Path, more: str) -> Path:
    folder.mkdir(parents=True)
    (folder / "start.s").write_text(C_START)
    (folder / "gauge.c").write_text(C_SOURCE)
    text = '[[image]]\nname = "gauge"\nsources = ["start.s", "gauge.c"]\n'
    (folder / "build.toml").write_text(text + more)
    return folder


@needs_toolchain
@needs_sdcc
def test_an_image_in_c_keeps_its_symbols_when_asked(tmp_path: Path):
    """UM0080: JP nn is C3 low high; the start's jump tells where the linker put main."""
    keys = "code = 0x240\ndata = 0x9000\nsymbols = true\n"
    folder, other = write_c(tmp_path / "c", keys), write_c(tmp_path / "a long way" / "c", keys)
    assert run(folder, other).exit_code == 0
    burned, listed = (folder / "gauge.bin").read_bytes(), (folder / "gauge.noi").read_bytes()
    assert burned == (other / "gauge.bin").read_bytes()
    assert listed == (other / "gauge.noi").read_bytes()
    assert b"/" not in listed
    table = load_symbols(folder / "gauge.noi")
    assert burned[0] == 0xC3
    names = {symbol.name: symbol.value for symbol in table.symbols}
    assert names["main"] == burned[1] | burned[2] << 8 == 0x240
    assert names["level"] == 0x9000
    assert {("gauge.c", n) for n in (3, 6)} <= {tuple(span.source) for span in table.lines}


@needs_toolchain
@needs_sdcc
def test_an_image_in_c_has_no_symbols_unless_asked(tmp_path: Path):
    folder = write_c(tmp_path / "c", "")
    assert run(folder).exit_code == 0
    assert {path.name for path in folder.iterdir()} == {
        "build.toml", "gauge.bin", "gauge.c", "start.s"
    }  # fmt: skip


@needs_toolchain
def test_check_names_the_file_that_differs_and_writes_nothing(recipe: Path):
    assert run(recipe.parent).exit_code == 0
    (recipe.parent / "names.inc").write_text("        .equ VALUE, 6\n")
    before = (recipe.parent / "small.bin").read_bytes()
    result = run("--check", recipe.parent)
    assert result.exit_code == 1
    assert f"{recipe.parent}/small.bin is not what its sources build" in result.output
    assert (recipe.parent / "small.bin").read_bytes() == before


@needs_toolchain
def test_check_names_the_file_that_is_missing(recipe: Path):
    result = run("--check", recipe.parent)
    assert result.exit_code == 1
    assert f"{recipe.parent}/small.elf is missing" in result.output


@needs_toolchain
def test_assembler_errors_name_file_and_line(recipe: Path):
    (recipe.parent / "small.s").write_text("        ld a, b, c\n")
    result = run(recipe.parent)
    assert result.exit_code == 2
    assert "small: as failed:" in result.output
    assert "small.s:1:" in result.output


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ('[[image]]\nname = "x"\nsources = []\n', "image 'x': missing ['script']"),
        ('[[image]]\nname = "x"\nsources = []\nscript = "l"\nfil = 1\n', "unknown ['fil']"),
        ("[rom]\n", "only [[image]] tables may stand here"),
        ("[[image]\n", "build.toml"),
    ],
)
def test_a_bad_recipe_is_told_in_one_line(tmp_path: Path, text: str, complaint: str):
    path = tmp_path / "build.toml"
    path.write_text(text)
    with pytest.raises(build_roms.BuildError) as caught:
        build_roms.read_images(path)
    assert complaint in caught.value.message
    assert str(path) in caught.value.message
    assert "\n" not in caught.value.message


def test_a_missing_package_is_told_with_the_line_to_run(monkeypatch, tmp_path: Path):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.delenv("PREBURN_TOOLCHAIN", raising=False)
    which = shutil.which
    monkeypatch.setattr(
        shutil, "which", lambda name: None if name in ("bison", "flex") else which(name)
    )
    monkeypatch.setattr(build_roms, "SOURCE_FOLDER", tmp_path)
    result = run("--toolchain-only")
    assert result.exit_code == 2
    assert "apt-get install -y --no-install-recommends binutils-source" in result.output
    assert "bison flex" in result.output


def test_an_override_without_tools_is_refused(monkeypatch, tmp_path: Path):
    monkeypatch.setenv("PREBURN_TOOLCHAIN", str(tmp_path))
    result = run("--toolchain-only")
    assert result.exit_code == 2
    assert f"PREBURN_TOOLCHAIN={tmp_path} holds no bin/z80-unknown-elf-ld" in result.output


def test_rom_disk_gives_back_every_file(tmp_path: Path):
    random.seed(1)
    files = {f"f{n}": random.randbytes(n * 1000) for n in range(20)}
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    image = romdisk.pack(tmp_path)
    assert romdisk.unpack(image) == files
    damaged = image[:-1] + bytes([image[-1] ^ 1])
    with pytest.raises(romdisk.RomDiskError, match="on the ROM disk is damaged"):
        romdisk.unpack(damaged)


def test_rom_disk_refuses_what_its_directory_cannot_hold(tmp_path: Path):
    (tmp_path / "ninechars").write_text("")
    with pytest.raises(romdisk.RomDiskError, match="8 letters at most"):
        romdisk.pack(tmp_path)
    (tmp_path / "ninechars").unlink()
    (tmp_path / "big").write_bytes(bytes(65536))
    with pytest.raises(romdisk.RomDiskError, match="has 65536 bytes"):
        romdisk.pack(tmp_path)


def test_tidewater_holds_code_where_the_cpu_enters():
    """Mode 1 enters at 0038h (UM0080 p.19), NMI at 0066h (p.13); restarts from memory."""
    flat = (TIDEWATER / "tidewater.bin").read_bytes()
    assert flat[0] == 0xF3  # DI
    for address in (*range(0x08, 0x40, 8), 0x66):
        assert flat[address] not in (0x00, 0xFF)
    assert len(flat) % 8192 == 0


def test_tidewater_carries_its_files_from_flash_page_8_on():
    flat = (TIDEWATER / "tidewater.bin").read_bytes()
    files = {path.name: path.read_bytes() for path in (TIDEWATER / "files").iterdir()}
    assert romdisk.unpack(flat[8 * 8192 :]) == files


def test_committed_elf_files_name_no_place_on_the_builders_machine():
    files = [path for folder in ("roms", "tests") for path in (PROJECT / folder).rglob("*.elf")]
    assert {"roms", "tests"} == {path.relative_to(PROJECT).parts[0] for path in files}
    for path in files:
        raw = path.read_bytes()
        for prefix in (b"/home/", b"/root/", b"/tmp/", b"/work/", str(PROJECT).encode()):
            assert prefix not in raw, f"{path} holds {prefix!r}"
