"""Files in RAM at power-on: where they go, whose names count, and what is refused."""
from __future__ import annotations

from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.errors import InputError
from emu.files.ramload import split_address
from emu.machine.address_names import Names
from emu.machine.machine import Machine

SELFTEST = Path(__file__).parent.parent / "roms" / "selftest"
FLAT = """
[slot.cpu]
card = "z80-cpu"
[slot.memory]
card = "plain-memory"
rom-size = 0x2000
ram-start = 0x8000
ram-size = 0x4000
"""


def machine_of(folder: Path, load_line: str) -> Machine:
    path = folder / "m.toml"
    path.write_text(FLAT + load_line)
    return Machine(load(path))


def memory_of(machine: Machine, address: int, count: int) -> bytes:
    place = int(machine.m.read_base_true[address >> 12]) + (address & 0xFFF)
    return bytes(machine.m.phys[place:place + count])


@pytest.mark.parametrize(("text", "path", "address"), [
    ("a.bin@0x100", "a.bin", 0x100), ("a.bin@8000h", "a.bin", 0x8000), ("a.bin@256", "a.bin", 256),
    ("a.bin", "a.bin", None), ("me@home/a.hex", "me@home/a.hex", None)])
def test_an_address_stands_behind_the_last_at_sign(text: str, path: str,
                                                   address: int | None) -> None:
    assert split_address(text) == (path, address)


def test_files_stand_at_their_addresses_and_the_rest_is_noise(tmp_path: Path) -> None:
    (tmp_path / "one.bin").write_bytes(b"first")
    (tmp_path / "two.hex").write_text(":0381000041424DAC\n:00000001FF\n")
    machine = machine_of(tmp_path, 'ram-load = { a = "one.bin@0x8FFE", b = "two.hex" }\n')
    assert memory_of(machine, 0x8FFE, 5) == b"first"  # over the end of a 4 KiB page
    assert memory_of(machine, 0x8100, 3) == b"ABM"
    bare = machine_of(tmp_path, "")
    assert memory_of(machine, 0x9100, 64) == memory_of(bare, 0x9100, 64)


def test_paths_are_relative_to_the_file_that_names_them(tmp_path: Path) -> None:
    """A file that extends another changes one program and keeps the other's place."""
    (tmp_path / "base").mkdir()
    (tmp_path / "base" / "one.bin").write_bytes(b"one")
    (tmp_path / "base" / "base.toml").write_text(
        FLAT + 'ram-load = { a = "one.bin@0x8000", b = "gone.bin@0x9000" }\n')
    (tmp_path / "mine.bin").write_bytes(b"mine")
    path = tmp_path / "mine.toml"
    path.write_text('extends = "base/base.toml"\n[slot.memory]\nram-load.b = "mine.bin@0xA000"\n')
    machine = Machine(load(path))
    assert memory_of(machine, 0x8000, 3) == b"one"
    assert memory_of(machine, 0xA000, 4) == b"mine"


def test_names_of_a_loaded_elf_are_known() -> None:
    names = Names(Machine(load(SELFTEST / "flat.toml")))
    assert names.at(0xFE00) == "FE00h, expected (stub.s:22)"


@pytest.mark.parametrize(("line", "message"), [
    ('ram-load = "a.bin"', "slot.memory: ram-load takes a table of names and files, such as "
                           "{ program = \"program.bin@0x100\" }, not 'a.bin'."),
    ("ram-load = { a = 3 }", "slot.memory: ram-load takes a table of names and files, such as "
                             "{ program = \"program.bin@0x100\" }, not {'a': 3}."),
    ('ram-load = { a = "a.bin" }', "slot.memory: ram-load.a: FOLDER/a.bin: is a raw binary; say "
                                   'where its first byte goes, such as "a.bin@0x100".'),
    ('ram-load = { a = "a.bin@0x7FFF" }',
     "slot.memory: ram-load.a: FOLDER/a.bin: holds 7FFFh to 8006h, but the RAM stands at 8000h "
     "to BFFFh; move one of them."),
    ('ram-load = { a = "a.bin@0xBFFA" }',
     "slot.memory: ram-load.a: FOLDER/a.bin: holds BFFAh to C001h, but the RAM stands at 8000h "
     "to BFFFh; move one of them."),
    ('ram-load = { a = "a.bin@0x8000", b = "a.bin@0x8007" }',
     "slot.memory: ram-load.b: FOLDER/a.bin: holds 8007h to 800Eh, where FOLDER/a.bin holds "
     "8000h to 8007h; move one of them."),
    ('ram-load = { a = "none.bin@0x8000" }',
     "slot.memory: ram-load.a: FOLDER/none.bin: no such file; build it, or check the image path."),
    ('ram-chip-size = 0x800\nram-load = { a = "a.bin@0x8800" }',
     "slot.memory: ram-load.a: FOLDER/a.bin: holds 8800h to 8807h, but the RAM stands at 8000h "
     "to 87FFh; move one of them."),
])
def test_mistakes(tmp_path: Path, line: str, message: str) -> None:
    (tmp_path / "a.bin").write_bytes(b"8 bytes.")
    with pytest.raises(InputError) as error:
        machine_of(tmp_path, line + "\n")
    text = str(error.value).replace(str(tmp_path), "FOLDER")
    assert text == "FOLDER/m.toml: " + message


def test_no_ram(tmp_path: Path) -> None:
    (tmp_path / "a.bin").write_bytes(b"8 bytes.")
    path = tmp_path / "m.toml"
    path.write_text(FLAT.replace("0x4000", "0") + 'ram-load = { a = "a.bin@0x8000" }\n')
    with pytest.raises(InputError, match="there is no RAM to load it into; give the RAM's size"):
        load(path)
