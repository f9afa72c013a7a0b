"""Cards of one's own: the tutorial word for word, an installed card, refused declarations."""
from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from emu.backplane.description import load, load_tree
from emu.backplane.wiring_check import check
from emu.bus.state import A
from emu.cli import group
from emu.errors import InputError
from emu.knowngood.record import images_table
from emu.knowngood.variants import with_image
from emu.machine.machine import Machine
from emu.sweep.axes import images, removable

ROOT = Path(__file__).parent.parent
TUTORIAL = (ROOT / "docs" / "own-card.md").read_text()
BLOCK = re.compile(r"<!-- ([a-z]+)(?:: (\S+))? -->\n```\w+\n(.*?)```", re.DOTALL)
BLOCKS = [(kind, name, text) for kind, name, text in BLOCK.findall(TUTORIAL)]


def block(kind: str) -> str:
    return next(text for word, _, text in BLOCKS if word == kind)


def preburn(arguments: list[str]) -> tuple[int, str]:
    try:
        result = CliRunner().invoke(group, arguments, catch_exceptions=False,
                                    standalone_mode=False)
    except InputError as error:
        return 2, f"preburn: {error}"
    return result.exit_code, result.output


@pytest.fixture
def tutorial(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The tutorial's files in a folder of their own, the current one."""
    for kind, name, text in BLOCKS:
        if kind == "file":
            (tmp_path / name).write_text(text)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_tutorial_boots(tutorial: Path) -> None:
    command = block("command").split()
    assert command[0] == "preburn"
    _, out = preburn(command[1:])
    assert block("prints") in out


def test_the_tutorials_test_passes(tutorial: Path) -> None:
    done = subprocess.run([sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider",
                           "test_gauge.py"], capture_output=True, text=True,
                          env={"PYTHONPATH": str(ROOT), "HOME": str(tutorial)} | _cache())
    assert "3 passed" in done.stdout, done.stdout + done.stderr


def _cache() -> dict[str, str]:
    """Let the other process find the machine code that is there."""
    from emu.native.cache import cache_folder

    return {"XDG_CACHE_HOME": str(cache_folder().parent)}


def test_the_tutorials_mistake_is_told_by_line(tutorial: Path) -> None:
    card = tutorial / "gauge.py"
    lines = card.read_text().splitlines(keepends=True)
    assert lines[45].startswith("    return s.level if")
    lines[45] = "    return s.level // 0\n"
    card.write_text("".join(lines))
    status, out = preburn(["boot", "gauge.toml", "--until", "7"])
    assert status == 2
    assert out == block("fails").strip()


def test_cards_prints_what_a_card_file_declares(tutorial: Path) -> None:
    status, out = preburn(["cards", "./gauge.py"])
    assert status == 0
    assert "milliseconds between two levels" in out


def test_an_installed_card_goes_by_its_name(tutorial: Path,
                                            monkeypatch: pytest.MonkeyPatch) -> None:
    site = tutorial / "site"
    (site / "harbour-1.dist-info").mkdir(parents=True)
    (tutorial / "gauge.py").rename(site / "harbour_gauge.py")
    info = site / "harbour-1.dist-info"
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: harbour\nVersion: 1\n")
    (info / "entry_points.txt").write_text("[preburn.cards]\nfloat-gauge = harbour_gauge:CARD\n")
    monkeypatch.syspath_prepend(str(site))
    machine = tutorial / "gauge.toml"
    machine.write_text(machine.read_text().replace("./gauge.py", "float-gauge"))
    _, listed = preburn(["cards"])
    assert "float-gauge      installed, harbour_gauge:CARD" in listed
    assert "harbour_gauge" not in sys.modules  # listing runs nothing
    status, out = preburn(["boot", "gauge.toml", "--until", "76543210"])
    assert "reached" in out and status == 0
    machine.write_text(machine.read_text().replace("float-gauge", "float-guage"))
    with pytest.raises(InputError, match="there is no card 'float-guage'; did you mean "
                                         "'float-gauge'?"):
        load(machine)


def test_a_variant_may_derive_from_a_card_file(tutorial: Path) -> None:
    (tutorial / "boards").mkdir()
    (tutorial / "boards" / "slow.toml").write_text('card = "../gauge.py"\nperiod = 20\n')
    machine = tutorial / "gauge.toml"
    machine.write_text(machine.read_text().replace("./gauge.py", "boards/slow.toml")
                       .replace("period = 5\n", ""))
    assert load(machine).slots[-1].settings["period"] == 20


@pytest.mark.parametrize(("change", "message"), [
    (("CARD = Card(", "CARDS = Card("),
     "gauge.py: there is no CARD = Card(...) at its end; see the top of peripherals/card.py for "
     "what a card is."),
    (("def read(m", "def read(m))"), "gauge.py:44: unmatched ')'."),
    (("import numpy as np", "import nunpy as np"),
     "gauge.py:2: in <module>: ModuleNotFoundError: No module named 'nunpy'."),
    (('("slot", np.int64),', '("slat", np.int64),'),
     'gauge.py: CARD: state takes a structured dtype whose first field is ("slot", np.int64).'),
    (('("taken", np.int64),', '("taken", object),'),
     "gauge.py: CARD: state may hold numbers, arrays of numbers and records of these, no texts "
     "or objects."),
    (('"read": read', '"raed": read'),
     "gauge.py: CARD: functions has no entry 'raed'; there are reset, read, write, advance, "
     "acknowledge, reti, memory, line, master, select."),
    (('"read": read', '"read": 5'), "gauge.py: CARD: functions: read is no function."),
    (('source="our own design"', 'source=""'),
     "gauge.py: CARD: source takes a text that is not empty."),
    (("    state=STATE,\n", ""),
     "gauge.py:59: in <module>: TypeError: Card.__init__() missing 1 required positional "
     "argument: 'state'."),
    (('jumpers=(Jumper("period", "int", 10, "milliseconds between two levels", 1, 1000),)',
      "jumpers=(5,)"), "gauge.py: CARD: jumpers takes Jumper(...) entries only."),
    (('"period", "int"', '"period", "integer"'),
     "gauge.py: CARD: jumper 'period': there is no kind 'integer'; there are int, choice, reading, "
     "flag, clock, file, files, text, list, terminal, drive, medium."),
    (('"int", 10,', '"int", 0,'),
     "gauge.py: CARD: default of jumper: period = 0 lies outside 1 to 1000."),
    (('("level", "vector")', '("level", "level")'),
     "gauge.py: CARD: registers takes different names such as (\"level\", \"vector\"), not "
     "('level', 'level')."),
    (('("level", "vector")', '"level"'),
     "gauge.py: CARD: registers takes different names such as (\"level\", \"vector\"), not "
     "'level'."),
    (("def read(m, s, a, t)", "def read(m, s, a)"),
     "gauge.py:44: read takes four arguments: m, s, and two numbers, see the top of "
     "peripherals/card.py."),
    (('functions={"reset": reset, "advance"', 'functions=5, sources={"advance"'),
     'gauge.py: CARD: functions takes a table such as {"read": read}, not 5.'),
    (("interrupt=CHAINED_INTERRUPT", "interrupt=7"),
     "gauge.py: CARD: interrupt takes NO_INTERRUPT, PLAIN_INTERRUPT or CHAINED_INTERRUPT of "
     "emu.bus.state, not 7."),
])
def test_a_wrong_card_file_is_refused_in_one_line(tutorial: Path, change: tuple[str, str],
                                                  message: str) -> None:
    card = tutorial / "gauge.py"
    text = card.read_text()
    assert change[0] in text
    card.write_text(text.replace(*change))
    with pytest.raises(InputError) as error:
        load(Path("gauge.toml"))
    assert str(error.value) == message


def test_a_card_file_that_is_no_python_file(tutorial: Path) -> None:
    toml = tutorial / "gauge.toml"
    toml.write_text(toml.read_text().replace("./gauge.py", "./gauge.hex"))
    with pytest.raises(InputError) as error:
        load(Path("gauge.toml"))
    assert str(error.value) == ("gauge.toml: slot.gauge: './gauge.hex' is no card file: its name "
                                "ends with .py.")


def test_a_missing_card_file(tutorial: Path) -> None:
    (tutorial / "gauge.py").unlink()
    with pytest.raises(InputError) as error:
        load(Path("gauge.toml"))
    assert str(error.value) == "gauge.py: no such file; check the card file path."


BOARD = """
from dataclasses import replace

from peripherals.card import Jumper
from peripherals.plain_memory import CARD as MEMORY


def power_on(setup):
    MEMORY.power_on(replace(setup, images={"image": setup.images["eprom"]}))


CARD = replace(MEMORY, name="memory-board", power_on=power_on, jumpers=(
    Jumper("eprom", "file", None, "what is burned into the EPROM"),
    *(jumper for jumper in MEMORY.jumpers if jumper.name != "image")))
"""
MACHINE = """
[slot.cpu]
card = "z80-cpu"
clock = "6.144 MHz"

[slot.board]
card = "boards/board.py"
"""


@pytest.fixture
def board(tmp_path: Path) -> Path:
    """A machine whose chip is burned by a jumper of another name than our cards', extended."""
    for folder in ("boards", "roms"):
        (tmp_path / folder).mkdir()
    (tmp_path / "boards" / "board.py").write_text(BOARD)
    (tmp_path / "machine.toml").write_text(MACHINE)
    (tmp_path / "roms" / "halt.bin").write_bytes(bytes.fromhex("3E 2A 76"))
    (tmp_path / "roms" / "other.bin").write_bytes(b"\x76")
    (tmp_path / "roms" / "halts.toml").write_text(
        'extends = "../machine.toml"\n[slot.board]\neprom = "halt.bin"\n')
    return tmp_path


def test_a_chip_is_found_by_its_jumpers_kind(board: Path) -> None:
    """Its path is relative to the file that names it, as an image's is."""
    machine = Machine(load(board / "roms" / "halts.toml"))
    machine.run(100)
    assert (int(machine.m.halted), int(machine.m.r[A])) == (1, 0x2A)
    assert {place: entry["file"] for place, entry in images_table(machine.description).items()
            } == {"board": "halt.bin"}


def test_another_image_goes_into_that_chip(board: Path) -> None:
    other = with_image(board / "roms" / "halts.toml", board / "roms" / "other.bin")
    assert other.slots[1].image is not None
    assert other.slots[1].image.path == board / "roms" / "other.bin"
    tree = load_tree(board / "roms" / "halts.toml")
    assert removable(tree) == []
    assert [choice.changes for choice in images(tree, board, [Path("a.bin")]).choices] == [
        {"slot.board.eprom": "a.bin"}]


def test_an_empty_chip_is_named_by_its_jumper(board: Path) -> None:
    found = [f for f in check(load(board / "machine.toml")) if f.code == "no-image"]
    assert [(f.slot, f.jumper) for f in found] == [("board", "eprom")]
    assert found[0].remedy == 'Give it one: eprom = "FILE" in slot.board.'
