"""A new project, from nothing to its first tests, as its own README says."""
import os
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from emu.cache import cache_folder
from emu.description import load
from emu.starting.choices import MEMORY, SERIAL, TIMER, Choices, backplane
from emu.wiring import ERROR, check

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
    assert [f for f in check(load(path)) if f.level == ERROR] == []


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
