"""The wheel alone, in a fresh environment, with no clone in sight: demo, new, make, boot, test.

It installs from the network and compiles, so it runs where it is asked for: .ci/run does.
"""
from __future__ import annotations

import os
import subprocess
import sys
import venv
from pathlib import Path

import build_roms
import pytest

from emu.native.cache import cache_folder

ROOT = Path(__file__).parent.parent
TOOLS = build_roms.toolchain_folder() / "bin"
pytestmark = pytest.mark.skipif(
    not os.environ.get("PREBURN_WHEEL"), reason="PREBURN_WHEEL is not set; .ci/run sets it")


def environment(programs: Path) -> dict[str, str]:
    """Give a shell's variables with the programs of one environment, and no way to our sources."""
    kept = {name: value for name, value in os.environ.items()
            if name not in ("PYTHONPATH", "VIRTUAL_ENV")}
    path = os.pathsep.join([str(programs), str(TOOLS), "/usr/local/bin", "/usr/bin", "/bin"])
    return {**kept, "PATH": path, "XDG_CACHE_HOME": str(cache_folder().parent.parent)}


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Build the wheel, install it into an environment of its own."""
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run([sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", folder, ROOT],
                   check=True)
    (wheel,) = folder.glob("preburn-*.whl")
    venv.create(folder / "venv", with_pip=True)
    programs = folder / "venv" / "bin"
    subprocess.run([programs / "pip", "install", "-q", wheel, "pytest"], check=True)
    return {**environment(programs), "PREBURN": str(wheel)}  # what a project's ci.sh installs


def run(words: str, folder: Path, variables: dict[str, str], status: int = 0) -> str:
    done = subprocess.run(words, shell=True, cwd=folder, env=variables, text=True,
                          capture_output=True, check=False)
    assert done.returncode == status, (words, done.stdout, done.stderr)
    return done.stdout


def test_nothing_of_the_clone_is_used(fresh: dict[str, str], tmp_path: Path) -> None:
    place = run("python -c 'import emu; print(emu.__file__)'", tmp_path, fresh)
    assert str(ROOT) not in place and "site-packages" in place


def test_the_demo(fresh: dict[str, str], tmp_path: Path) -> None:
    run("preburn demo tide", tmp_path, fresh)
    assert "verdict: reached" in run("preburn boot tide/full.toml --until 'tw> '", tmp_path, fresh)
    hung = r"preburn boot tide/no-timer.toml --send 'sleep 1\r' --limit 10"
    assert "cause no-tick" in run(hung, tmp_path, fresh, 1)
    before = (tmp_path / "tide/tidewater.bin").read_bytes()
    if (TOOLS / "z80-unknown-elf-as").exists():
        run("rm tide/tidewater.bin && make -C tide", tmp_path, fresh)
        assert (tmp_path / "tide/tidewater.bin").read_bytes() == before


@pytest.mark.skipif(not (TOOLS / "z80-unknown-elf-as").exists(), reason="no cross assembler")
def test_a_project_from_nothing_to_its_tests(fresh: dict[str, str], tmp_path: Path) -> None:
    run("preburn new gauge --language asm", tmp_path, fresh)
    folder = tmp_path / "gauge"
    run("preburn check && preburn layout -o board.md && make", folder, fresh)
    assert "verdict: reached" in run("preburn boot --until '> '", folder, fresh)
    run("pytest --update -p no:cacheprovider", folder, fresh)
    assert "passed" in run("pytest -p no:cacheprovider", folder, fresh)
    assert "preflight machine.toml: go" in run("sh ci.sh", folder, fresh)
