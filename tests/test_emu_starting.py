"""A new project, from nothing to its first tests, as its own README says."""
import os
import sys
import tomllib
from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import Description, load
from emu.backplane.finding import ERROR, WARNING
from emu.backplane.rate_search import reach
from emu.backplane.wiring_check import check
from emu.errors import InputError
from emu.starting import files
from emu.starting.choices import DIVIDERS, KINDS, Choices, backplane
from emu.starting.files import start
from emu.starting.numbers import NUMBERS
from peripherals.card import BAUD

ROOT = Path(__file__).parent.parent


# Ports, pages, sizes and clocks of somebody else's cage: every number differs from the usual one.
OTHERS = {"window-size": 4096, "ram-page": 0x80, "page-base": 0xA0, "rom-size": 0x2C00,
          "ram-start": 0xC000, "sio-base": 0xD8, "acia-base": 0xE4, "baud": 9600,
          "timer-base": 0xEC}


def machine_of(folder: Path, choices: Choices) -> Description:
    (folder / "images").mkdir(exist_ok=True)
    (folder / "images/rom.bin").write_bytes(b"\x76")
    (folder / "machine.toml").write_text(backplane(choices))
    return load(folder / "machine.toml")


@pytest.mark.parametrize("memory", KINDS["memory"])
@pytest.mark.parametrize("serial", KINDS["serial"])
@pytest.mark.parametrize("timer", KINDS["timer"])
@pytest.mark.parametrize("numbers", [{}, OTHERS], ids=["usual", "others"])
def test_every_choice_is_a_good_machine(tmp_path: Path, memory: str, serial: str, timer: str,
                                        numbers: dict[str, int]) -> None:
    kinds = {"memory": memory, "serial": serial, "timer": timer}
    asked = Choices("tide", **kinds).asked()
    choices = Choices("tide", **kinds, numbers={k: v for k, v in numbers.items() if k in asked})
    machine = machine_of(tmp_path, choices)
    assert [f for f in check(machine) if f.level in (ERROR, WARNING)] == []
    memory_slot = next(s for s in machine.slots if s.name == "memory")
    assert memory_slot.card.image_size(memory_slot.settings) == choices.rom_bytes()


def test_numbers_are_where_they_are_asked_for() -> None:
    assert set(OTHERS) == set(NUMBERS)
    assert all(value != NUMBERS[key].usual for key, value in OTHERS.items())
    for timer in KINDS["timer"]:
        for memory in KINDS["memory"]:
            for serial in KINDS["serial"]:
                kinds = {"memory": memory, "serial": serial, "timer": timer}
                for key in Choices("tide", **kinds).asked():
                    text = backplane(Choices("tide", **kinds, numbers={key: OTHERS[key]}))
                    written = tomllib.loads(text)["slot"]
                    values = [v for slot in written.values() for v in slot.values()]
                    values += [v["baud"] for v in values if isinstance(v, dict)]
                    assert OTHERS[key] in values, (key, text)


@pytest.mark.parametrize(("clock", "baud"), [
    ("614.4 kHz", 38400), ("614.4 kHz", 9600), ("cpu", 96000), ("cpu", 384000),
    ("1 MHz", 15625), ("3.579545 MHz", 223722)])
@pytest.mark.parametrize("serial", KINDS["serial"])
def test_the_terminal_fits_its_clock(tmp_path: Path, serial: str, clock: str, baud: int) -> None:
    choices = Choices("tide", serial=serial, serial_clock=clock, numbers={"baud": baud})
    machine = machine_of(tmp_path, choices)
    assert [f for f in check(machine) if f.level in (ERROR, WARNING)] == []
    ways = reach(machine, BAUD, Fraction(baud))
    assert any(abs(way.error) < Fraction(1, 1000) for way in ways if way.slot == serial)
    assert choices.divider() in DIVIDERS[serial]


@pytest.mark.parametrize(("words", "told"), [
    ("--memory plain --window-size 4096", "--window-size belongs to the banked card, which is "
     "not chosen; leave it out."),
    ("--sio-base 0x29", "--timer-base 0x28: its port 0x29 lies at --sio-base's; name another "
     "base."),
    ("--page-base 0xFE", "--page-base 0xfe: its port 0x100 lies beyond FFh; name another base."),
    ("--baud 19200 --serial acia", "a serial clock of 614.4 kHz gives 38400, 9600 baud on this "
     "card, not 19200; name another --baud or --serial-clock."),
    ("--ram-page 3", "--ram-page 0x03 lies in the ROM, which ends before 0x40; name 0x40 or "
     "more."),
    ("--ram-start 0x400 --memory plain", "--ram-start 0x400 lies in the ROM, which ends before "
     "0x6000; name 0x6000 or more."),
    ("--sio-base x", "--sio-base takes a number such as 0x20, not 'x'."),
    ("--window-size 5", "--window-size takes 4096, 8192, 16384, 32768, not 5."),
    ("--ram-page 400", "--ram-page takes 0x01 to 0xff, not 0x190."),
    ("--memory plain --rom-size 0x401", "--rom-size takes 0x400 to 0xfc00 in steps of 0x400, not "
     "0x401."),
    ("--language c --image rom.bin", "--language makes a ROM and --image brings one; leave one of "
     "them out."),
    ("--preburn-from nowhere", "--preburn-from nowhere: no such file or folder; name one, or "
     "git+ADDRESS of a Git repository."),
    ("--clock fast", "--clock: write a frequency as"),
    ("--serial-clock fast", "--serial-clock: write a frequency as"),
])
def test_a_number_that_cannot_be_is_refused(preburn, tmp_path: Path, words: str,
                                            told: str) -> None:
    done = preburn("new", tmp_path / "x", *words.split())
    assert done.returncode == 2 and done.stderr.startswith(f"preburn: {told}"), done.stderr
    assert done.stderr.count("\n") == 1 and not (tmp_path / "x").exists()


def test_a_folder_in_use_and_odd_words_are_refused(preburn, tmp_path: Path) -> None:
    (tmp_path / "mine").write_text("")
    done = preburn("new", tmp_path)
    assert done.returncode == 2 and "is there already and not empty" in done.stderr
    done = preburn("new", tmp_path / "x", "--until", 'a"b')
    assert done.returncode == 2 and "choose plain words" in done.stderr
    done = preburn("new", tmp_path / "x", "--until", "")
    assert (done.returncode, done.stderr) == (
        2, "preburn: --until takes the text of the prompt; it is empty.\n")
    assert not (tmp_path / "x").exists()
    done = preburn("new", "")
    assert done.returncode == 2 and done.stderr == "preburn: name the project's folder.\n"


def test_a_rom_has_to_fit_its_chip(preburn, tmp_path: Path) -> None:
    rom = tmp_path / "README"  # its name does not clash with a file of the project's
    rom.write_bytes(b"\x76" * 0x6001)
    done = preburn("new", tmp_path / "a", "--image", rom)
    assert done.returncode == 0, done.stderr
    assert 'card = "banked-memory"' in (tmp_path / "a/machine.toml").read_text()
    assert (tmp_path / "a/images/README").read_bytes() == rom.read_bytes()
    assert done.stdout.count("README") == 2  # the project's own, and the image
    done = preburn("new", tmp_path / "b", "--image", rom, "--memory", "plain")
    assert done.returncode == 2 and done.stderr == (
        f"preburn: {rom}: reaches 6000h, beyond the 24 KiB of plain memory; choose --memory "
        f"banked or a larger --rom-size.\n")
    done = preburn("new", tmp_path / "c", "--image", rom, "--memory", "plain", "--rom-size",
                   "6400h")
    assert done.returncode == 0, done.stderr
    assert "ram-start = 0x6400" in (tmp_path / "c/machine.toml").read_text()
    rom.write_bytes(b"\x76" * 524289)
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
    """What is no answer is asked for again; nothing is asked when the folder is in use."""
    pty = pytest.importorskip("pty")
    for answers, folder, told in (
            (b"fast\r8 MHz\rbanked\rsio\r\r1.2 MHz\r\rok>\r" b"16384\r\r300\r0xA8\r0xF0\r"
             b"18750\r0xE0\r", tmp_path / "p", b"write a frequency as"),
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
    slots = tomllib.loads((tmp_path / "p/machine.toml").read_text())["slot"]
    assert slots["cpu"]["clock"] == "8 MHz"
    assert [slots["memory"][k] for k in ("window-size", "ram-page", "base")] == [16384, 0x40, 0xA8]
    assert [slots["sio"][k] for k in ("base", "clock-a")] == [0xF0, "1.2 MHz"]
    assert slots["sio"]["terminal-a"]["baud"] == 18750 and slots["ctc"]["base"] == 0xE0
