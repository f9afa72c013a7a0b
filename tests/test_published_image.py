"""Hold the image readers against GNU binutils and the intelhex writer."""

import io
import random
import re
import shutil
import subprocess
from pathlib import Path

import intelhex
import pytest

from emu.files.elf import read_elf
from emu.files.image import load_image
from emu.files.symbol_loading import load_symbols

IMAGES = Path(__file__).parent / "data/images"
TOOLS = Path.home() / ".cache/preburn/toolchain/bin"
ELFS = [f"gauge-dwarf{version}.elf" for version in (2, 3, 4, 5)] + ["paged.elf", "paged-relocs.elf"]


def run(name: str, *arguments: object) -> str:
    """Run a program of GNU binutils built for z80-unknown-elf."""
    found = shutil.which(f"z80-unknown-elf-{name}") or shutil.which(
        str(TOOLS / f"z80-unknown-elf-{name}")
    )
    if not found:
        pytest.skip("no binutils for z80-unknown-elf here: python tools/build_roms.py builds them")
    command = [found, *map(str, arguments)]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


@pytest.mark.parametrize("name", ELFS)
def test_symbols_are_those_of_nm(name):
    # GNU nm: address, type letter (lower case is local, A is absolute), name
    theirs = {
        (fields[2], int(fields[0], 16), fields[1].islower(), fields[1] in "aA")
        for fields in map(str.split, run("nm", IMAGES / name).splitlines())
    }
    table = load_symbols(IMAGES / name)
    assert {(s.name, s.value, s.local, s.kind == "abs") for s in table.symbols} == theirs
    assert len(theirs) >= 4


@pytest.mark.parametrize("name", ["gauge-dwarf3.elf", "gauge-dwarf5.elf", "paged-relocs.elf"])
def test_lines_are_those_of_objdump(name):
    # GNU objdump --dwarf=decodedline: file, line, address; "-" ends a sequence
    text = run("objdump", "--dwarf=decodedline", IMAGES / name)
    theirs = [
        (file, int(line), int(address, 16))
        for file, line, address in re.findall(
            r"^(\S+) +(\d+) +(0(?:x[0-9a-f]+)?) ", text, re.MULTILINE
        )
    ]
    lines = load_symbols(IMAGES / name).lines
    assert sorted((s.source.file, s.source.line, s.virtual) for s in lines) == sorted(theirs)
    assert len(theirs) >= 12


@pytest.mark.parametrize("name", ELFS)
def test_flattened_bytes_are_those_of_objcopy(name, tmp_path):
    # GNU objcopy -O binary lays sections out by their load (physical) addresses
    run("objcopy", "-O", "binary", "--gap-fill=0xff", IMAGES / name, tmp_path / "flat.bin")
    flat = (tmp_path / "flat.bin").read_bytes()
    assert load_image(IMAGES / name).flatten(len(flat)) == flat
    assert len(flat) >= 44


@pytest.mark.parametrize("form", ["ihex", "srec"])
def test_text_forms_written_by_objcopy_hold_the_same_bytes(form, tmp_path):
    # GNU objcopy -O ihex, -O srec
    for name in ELFS:
        out = tmp_path / "rom.bin"
        run("objcopy", "-O", form, IMAGES / name, out)
        image = load_image(out)
        assert image.kind == form
        assert image.flatten(0x10000) == load_image(IMAGES / name).flatten(0x10000)
        # objcopy leaves a start address of 0 out of Intel HEX
        entry = image.entry or 0 if form == "ihex" else image.entry
        assert entry == read_elf(out, (IMAGES / name).read_bytes()).entry


def test_committed_text_forms_hold_the_bytes_of_the_elf_file():
    # written by GNU objcopy from gauge-dwarf4.elf, see tests/data/images/build.sh
    whole = load_image(IMAGES / "gauge-dwarf4.elf").flatten(0x100)
    assert load_image(IMAGES / "gauge.hex").flatten(0x100) == whole
    assert load_image(IMAGES / "gauge.s19").flatten(0x100) == whole


def test_hex_written_by_another_library_comes_back(tmp_path):
    # intelhex's own writer, with gaps and addresses beyond 64 KiB (type 04 records)
    rng = random.Random(11)
    writer = intelhex.IntelHex()
    for _ in range(40):
        writer.frombytes(rng.randbytes(rng.randrange(1, 300)), rng.randrange(0x7FF00))
    writer.start_addr = {"EIP": 0x0100}
    text = io.StringIO()
    writer.write_hex_file(text)
    path = tmp_path / "rom.hex"
    path.write_text(text.getvalue())
    image = load_image(path)
    assert {s.physical + i: b for s in image.segments for i, b in enumerate(s.data)} == {
        int(address): byte for address, byte in writer.todict().items() if address != "start_addr"
    }
    assert image.entry == 0x100
