"""Where the text of a source line is looked for: one rule for every view."""
from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import build_roms
import pytest

from emu.backplane.description import Description, load
from emu.errors import InputError
from emu.files.symbols import SourceLine
from emu.machine.address_names import Names
from emu.machine.machine import Machine
from emu.machine.source_files import SourceFiles
from emu.report.listing import loop
from emu.run.session import Session
from emu.stepper import prompt
from emu.stepper.stepper import Stepper

TOOLS = build_roms.toolchain_folder() / "bin"
MACHINE = """
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"
[slot.memory]
card = "plain-memory"
image = "rom.bin"
"""
TEXT = "; the harbour\n        di\nhere:   jr here\n"
LIST = 'DEF C$tide.c$3$0_0$1 0x0001\nDEF XG$main$0$0 0x0002\n'


def machine(folder: Path, more: str = "", names: str = "") -> Description:
    """A machine whose ROM is F3 18 FE, and whose list says that 0001h is line 3 of tide.c."""
    (folder / "rom.bin").write_bytes(bytes.fromhex("f318fe"))
    if names:
        (folder / "lists").mkdir(exist_ok=True)
        (folder / "lists/rom.noi").write_text(names)
        more += 'symbols = "lists/rom.noi"\n'
    path = folder / "machine.toml"
    path.write_text(MACHINE + more)
    return load(path)


@pytest.fixture
def away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A current folder that has nothing to do with the project."""
    folder = tmp_path / "away"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return tmp_path


def test_the_order_of_the_places(away: Path) -> None:
    """From the last place to the first: each nearer one wins over all before it."""
    (away / "src").mkdir()
    line = SourceLine("tide.c", 2)

    def text() -> str:
        return SourceFiles(machine(away, 'sources = ["src"]\n', LIST)).text(line)

    assert text() == ""
    for place in ("src", "away", ".", "lists"):  # sources, current folder, image, list
        (away / place / "tide.c").write_text(f"\n  told   from {place}\n")
        assert text() == f"told from {place}"


def test_the_bare_name_will_do_where_the_folder_is_another(away: Path) -> None:
    (away / "tide.c").write_text("x\n")
    found = SourceFiles(machine(away, names=LIST))
    assert found.path("build/old/place/tide.c") == away / "tide.c"
    assert found.text(SourceLine("build/tide.c", 1)) == "x"
    assert found.text(SourceLine("build/tide.c", 2)) == ""
    assert found.text(None) == "" and found.path("none.c") is None


def test_a_folder_of_sources_is_relative_to_its_file(away: Path) -> None:
    (away / "boards/src").mkdir(parents=True)
    (away / "boards/src/tide.c").write_text("a\nb\n")
    machine(away, names=LIST)
    text = (away / "machine.toml").read_text().replace('image = "', 'image = "../').replace(
        "lists/", "../lists/")
    (away / "boards/base.toml").write_text(text + 'sources = "src"\n')
    (away / "machine.toml").write_text('extends = "boards/base.toml"\n')
    assert SourceFiles(load(away / "machine.toml")).text(SourceLine("tide.c", 2)) == "b"


@pytest.mark.skipif(not (TOOLS / "z80-unknown-elf-as").exists(), reason="no cross assembler")
def test_the_line_tables_own_folder_comes_first(away: Path) -> None:
    """Assembled in one folder, linked and run in another, with nothing said of it."""
    work, out = away / "work", away / "out"
    for folder in (work, out):
        folder.mkdir()
    (work / "tide.s").write_text(TEXT)
    (out / "tide.s").write_text("; another file of that name\n\n\n")
    for name, *words in (["as", "-march=z80", "-g", "-o", "tide.o", "tide.s"],
                         ["ld", "-Ttext", "0", "-o", str(out / "rom.elf"), "tide.o"]):
        subprocess.run([TOOLS / f"z80-unknown-elf-{name}", *words], cwd=work, check=True)
    (out / "machine.toml").write_text(MACHINE.replace("rom.bin", "rom.elf"))
    built = load(out / "machine.toml")
    names = Names(Machine(built))
    assert SourceFiles(built).text(names.line(1)) == "here: jr here"
    shutil.rmtree(work)
    assert SourceFiles(built).path("tide.s") == out / "tide.s"


def test_every_view_finds_them(away: Path) -> None:
    (away / "src/deep").mkdir(parents=True)
    (away / "src/deep/tide.c").write_text(TEXT)
    built = machine(away, 'sources = ["src/deep"]\n', LIST)
    session = Session(Machine(built), None, 0.01)
    session.run()
    assert {row.source for row in loop(session.machine)} == {"here: jr here"}  # the report
    stepper = Stepper(Machine(built))
    shown = "\n".join(prompt.WordReader(stepper).do("into"))
    assert "tide.c:3" in shown and "here: jr here" in shown
    place = str(away / "src/deep/tide.c")
    assert stepper.book.source_named(place) == "tide.c"  # an editor's breakpoint
    assert stepper.book.sources.path("tide.c") == away / "src/deep/tide.c"


def test_two_files_of_one_name_are_told_apart(away: Path) -> None:
    for folder in ("a", "b"):
        (away / folder).mkdir()
        (away / folder / "tide.c").write_text(f"{folder}\n")
    found = SourceFiles(machine(away))
    files = {"a/tide.c", "b/tide.c"}
    assert found.name(str(away / "b/tide.c"), files) == "b/tide.c"
    assert found.name(str(away / "none/tide.c"), files) == "tide.c"


@pytest.mark.parametrize(("more", "told"), [
    ("sources = 3\n", "sources takes a folder or a list of folders, such as sources = [\"src\"], "
     "not 3."),
    ('symbols = { imag = "x.noi" }\n', "symbols names the image 'imag'; did you mean 'image'?"),
    ("symbols = { image = 3 }\n", 'symbols takes a file or a list of files, such as symbols = '
     '"driver.map", not 3.')])
def test_what_cannot_be_is_refused(away: Path, more: str, told: str) -> None:
    with pytest.raises(InputError) as error:
        machine(away, more)
    assert str(error.value) == f"{away}/machine.toml: slot.memory: {told}"


PORTS = "sio_data = 0x20\nrst20 = 0x20\nwait_loop = 0x24\nring = 0x8000\n"


def test_port_constants_never_name_memory(away: Path) -> None:
    """A plain list does not say what is a port; the cards do."""
    (away / "rom.sym").write_text(PORTS)
    built = machine(away, 'symbols = "rom.sym"\n[slot.sio]\ncard = "z80-sio"\nbase = 0x20\n')
    names = Names(Machine(built))
    assert [names.symbol(at) for at in (0x20, 0x22, 0x24, 0x8001)] == [
        "rst20", "rst20+2", "wait_loop", "ring+1"]
    (away / "rom.sym").write_text(PORTS.replace("rst20 = 0x20\n", ""))
    names = Names(Machine(load(away / "machine.toml")))
    assert names.symbol(0x22) is None
    assert Stepper(Machine(built)).book.value("sio_data") == 0x20  # it can still be asked for


def test_names_for_files_that_were_loaded_into_ram(away: Path) -> None:
    (away / "game.bin").write_bytes(b"\x18\xfe")
    (away / "game.sym").write_text("again = 0x9000\n")
    (away / "rom.sym").write_text("boot = 0x0000\n")
    machine(away)
    path = away / "machine.toml"
    path.write_text(MACHINE + 'ram-load = { game = "game.bin@0x9000" }\n'
                    'symbols = { game = "game.sym", image = ["rom.sym"] }\n')
    names = Names(Machine(load(path)))
    assert (names.symbol(0x9001), names.symbol(0)) == ("again+1", "boot")
    path.write_text(MACHINE.replace('image = "rom.bin"\n', "")
                    + 'ram-load = { game = "game.bin@0x9000" }\nsymbols = "game.sym"\n')
    assert Names(Machine(load(path))).symbol(0x9000) == "again"  # the only image there is
    (away / "game.bin").unlink()
    (away / "game.sym").unlink()
    assert [p.name for p in load(path, unbuilt=True).slots[1].absent] == ["game.bin", "game.sym"]


def test_the_current_folder_is_looked_into(tmp_path: Path) -> None:
    """From a process of its own, as a builder stands in the sources' folder."""
    project, sources = tmp_path / "p", tmp_path / "s"
    project.mkdir()
    sources.mkdir()
    machine(project, names=LIST)
    (sources / "tide.c").write_text(TEXT)
    code = (f"from emu.backplane.description import load\n"
            f"from emu.machine.source_files import SourceFiles\n"
            f"print(SourceFiles(load({str(project / 'machine.toml')!r})).named('tide.c:3'))\n")
    root = Path(__file__).parent.parent
    done = subprocess.run([sys.executable, "-c", code], cwd=sources, text=True, capture_output=True,
                          env={**os.environ, "PYTHONPATH": str(root)}, check=True)
    assert done.stdout == "here: jr here\n"
