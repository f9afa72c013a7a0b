"""A new project, from nothing to its first tests, as its own README says."""
import os
import shlex
import subprocess
import sys
import tomllib
from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.backplane.rate_search import reach
from emu.backplane.wiring_check import ERROR, WARNING, check
from emu.errors import InputError
from emu.native.cache import cache_folder
from emu.starting import files
from emu.starting.choices import MEMORY, SERIAL, SIZES, TIMER, Choices, backplane
from emu.starting.files import start
from peripherals.card import BAUD

ROOT = Path(__file__).parent.parent


@pytest.mark.parametrize("memory", MEMORY)
@pytest.mark.parametrize("serial", SERIAL)
@pytest.mark.parametrize("timer", TIMER)
def test_every_choice_is_a_good_machine(tmp_path: Path, memory: str, serial: str,
                                        timer: str) -> None:
    (tmp_path / "images").mkdir()
    (tmp_path / "images/rom.bin").write_bytes(b"\x76")
    path = tmp_path / "machine.toml"
    path.write_text(backplane(Choices("tide", memory=memory, serial=serial, timer=timer)))
    assert [f for f in check(load(path)) if f.level in (ERROR, WARNING)] == []


@pytest.mark.parametrize("clock", ["1 MHz", "3.6864 MHz", "7.3728 MHz", "8 MHz", "20 MHz"])
@pytest.mark.parametrize("serial", SERIAL)
def test_the_terminal_fits_at_every_clock(tmp_path: Path, serial: str, clock: str) -> None:
    (tmp_path / "images").mkdir()
    (tmp_path / "images/rom.bin").write_bytes(b"\x76")
    path = tmp_path / "machine.toml"
    path.write_text(backplane(Choices("tide", clock=clock, serial=serial)))
    machine = load(path)
    assert check(machine) == []
    ways = reach(machine, BAUD, Fraction(115200))
    assert any(abs(way.error) < Fraction(1, 1000) for way in ways if way.slot == serial)


def test_sizes_are_those_of_the_cards(tmp_path: Path) -> None:
    (tmp_path / "images").mkdir()
    (tmp_path / "images/rom.bin").write_bytes(b"\x76")
    for memory, size in SIZES.items():
        (tmp_path / "machine.toml").write_text(backplane(Choices("tide", memory=memory)))
        slot = next(s for s in load(tmp_path / "machine.toml").slots if s.name == "memory")
        assert slot.card.image_size(slot.settings) == size


def commands(readme: str) -> list[list[str]]:
    block = readme.split("```sh\n")[1].split("```")[0]
    return [shlex.split(line, comments=True) for line in block.splitlines()]


def test_the_readme_of_a_project_is_true(preburn, roms: Path, tmp_path: Path) -> None:
    folder = tmp_path / "gauge"
    done = preburn("new", folder, "--image", roms / "driver-example/driver.ihx", "--until", ">",
                   "--clock", "7.3728 MHz", "--timer", "none")
    assert done.returncode == 0, done.stderr
    machine = folder / "machine.toml"
    text = machine.read_text().replace("base = 0x80", "base = 0x30")  # where the driver has it
    machine.write_text(text.replace("115200", "460800"))
    assert tomllib.loads(machine.read_text())["slot"]["memory"]["image"] == "images/driver.ihx"
    environment = {**os.environ, "PYTHONPATH": str(ROOT),
                   "XDG_CACHE_HOME": str(cache_folder().parent.parent)}
    plugin = ["-p", "emu.pytestplugin", "-p", "no:cacheprovider"]
    run = {"preburn": ["-m", "emu.cli"], "pytest": ["-m", "pytest"]}
    told = commands((folder / "README.md").read_text())
    assert len(told) == 5
    for name, *rest in told:
        extra = plugin if name == "pytest" and not _registered() else []
        done = subprocess.run([sys.executable, *run[name], *extra, *rest], cwd=folder, text=True,
                              capture_output=True, env=environment, check=False)
        assert done.returncode == 0, (name, rest, done.stdout, done.stderr)
    assert (folder / "good.json").exists()


def _registered() -> bool:
    from importlib.metadata import entry_points

    return any(e.name == "preburn" for e in entry_points(group="pytest11"))


def test_a_folder_in_use_and_odd_words_are_refused(preburn, tmp_path: Path) -> None:
    (tmp_path / "mine").write_text("")
    done = preburn("new", tmp_path)
    assert done.returncode == 2 and "is there already and not empty" in done.stderr
    done = preburn("new", tmp_path / "x", "--until", 'a"b')
    assert done.returncode == 2 and "choose plain words" in done.stderr
    done = preburn("new", tmp_path / "x", "--clock", "fast")
    assert done.returncode == 2 and "--clock: write a frequency" in done.stderr
    assert not (tmp_path / "x").exists()
    done = preburn("new", "")
    assert done.returncode == 2 and done.stderr == "preburn: name the project's folder.\n"


def test_a_large_rom_gets_a_large_chip(preburn, tmp_path: Path) -> None:
    rom = tmp_path / "README"  # its name does not clash with a file of the project's
    rom.write_bytes(b"\x76" * (32769))
    done = preburn("new", tmp_path / "a", "--image", rom)
    assert done.returncode == 0, done.stderr
    assert 'card = "banked-memory"' in (tmp_path / "a/machine.toml").read_text()
    assert (tmp_path / "a/images/README").read_bytes() == rom.read_bytes()
    assert done.stdout.count("README") == 2  # the project's own, and the image
    done = preburn("new", tmp_path / "b", "--image", rom, "--memory", "plain")
    assert done.returncode == 2 and done.stderr == (
        f"preburn: {rom}: is larger than the 32 KiB of plain memory; choose --memory banked.\n")
    rom.write_bytes(b"\x76" * (524289))
    done = preburn("new", tmp_path / "b", "--image", rom)
    assert done.returncode == 2 and "reaches 80000h, beyond the 512 KiB" in done.stderr
    assert not (tmp_path / "b").exists()


def test_a_full_disk_leaves_no_half_project(tmp_path: Path,
                                            monkeypatch: pytest.MonkeyPatch) -> None:
    written = []

    def fill(path: Path, data: bytes) -> None:
        if written:
            raise InputError("the disk is full")
        written.append(path)
        path.write_bytes(data)

    monkeypatch.setattr(files, "write_atomic", fill)
    with pytest.raises(InputError):
        start(tmp_path / "a", Choices("a"), None)
    assert written and not (tmp_path / "a").exists()
    written.clear()
    (tmp_path / "b").mkdir()
    with pytest.raises(InputError):
        start(tmp_path / "b", Choices("b"), None)
    assert list((tmp_path / "b").iterdir()) == []


def test_questions_on_a_terminal(tmp_path: Path) -> None:
    """A clock that is none is asked for again; nothing is asked when the folder is in use."""
    pty = pytest.importorskip("pty")
    for answers, folder, told in (
            (b"fast\r8 MHz\rbanked\rsio\r\rok>\r", tmp_path / "p", b"write a frequency as"),
            (b"", tmp_path, b"is there already and not empty")):
        child, terminal = pty.fork()
        if not child:
            os.chdir(ROOT)
            os.execv(sys.executable, [sys.executable, "-m", "emu.cli", "new", str(folder)])
        os.write(terminal, answers)
        shown = b""
        try:
            while data := os.read(terminal, 4096):
                shown += data
        except OSError:  # its end, on Linux
            pass
        os.close(terminal)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == (0 if answers else 2)
        assert told in shown, shown
    text = (tmp_path / "p/machine.toml").read_text()
    assert 'clock = "8 MHz"' in text and 'clock-a = "1.8432 MHz"' in text
