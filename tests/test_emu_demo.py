"""The demo system laid out: complete, the same as in the repository, and it can be built there."""
from __future__ import annotations

import os
import subprocess
from pathlib import Path

import build_roms
import pytest

from emu.backplane.description import load
from emu.starting import demo
from emu.starting.demo import demo_files, lay_out

ROOT = Path(__file__).parent.parent
TIDEWATER = ROOT / "roms/tidewater"
TOOLS = build_roms.toolchain_folder() / "bin"


def committed() -> set[str]:
    listed = subprocess.run(["git", "ls-files", "."], cwd=TIDEWATER, text=True,
                            capture_output=True, check=True).stdout.split()
    return {name for name in listed if (TIDEWATER / name).exists()}


@pytest.mark.skipif(not (ROOT / ".git").exists(), reason="no clone: nobody tells what belongs")
def test_all_of_it_is_laid_out(tmp_path: Path) -> None:
    made = lay_out(tmp_path / "demo")
    names = {path.relative_to(tmp_path / "demo").as_posix() for path in made}
    assert names == committed()
    for name in names:
        assert (tmp_path / "demo" / name).read_bytes() == (TIDEWATER / name).read_bytes()
    machines = [path for path in (tmp_path / "demo").glob("*.toml") if path.name != "build.toml"]
    assert len(machines) == 7
    for path in machines:
        load(path)


def test_a_wheel_takes_all_of_it() -> None:
    """The patterns of the package's data reach every folder that the demo has."""
    folders = {str(Path(name).parent) for name in demo_files()}
    text = (ROOT / "pyproject.toml").read_text()
    for folder in folders:
        assert f'"{"*" if folder == "." else folder + "/*"}"' in text


def test_the_makefile_has_the_sources_of_the_recipe() -> None:
    recipe = build_roms.read_images(TIDEWATER / "build.toml")[0]
    text = (TIDEWATER / "Makefile").read_text().replace("\\\n", " ")
    sources = next(line for line in text.splitlines() if line.startswith("SOURCES ="))
    assert sources.split()[2:] == recipe["sources"]


@pytest.mark.skipif(not (TOOLS / "z80-unknown-elf-as").exists(), reason="no cross assembler")
def test_it_is_built_to_the_same_bytes(tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    lay_out(folder)
    (folder / "tidewater.bin").unlink()
    environment = {**os.environ, "PATH": f"{TOOLS}{os.pathsep}{os.environ['PATH']}"}
    done = subprocess.run(["make"], cwd=folder, env=environment, text=True, capture_output=True,
                          check=False)
    assert done.returncode == 0, done.stderr
    assert (folder / "tidewater.bin").read_bytes() == (TIDEWATER / "tidewater.bin").read_bytes()


def test_the_command(preburn, tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    done = preburn("demo", folder)
    assert done.returncode == 0 and "README.md tells what they are" in done.stdout
    (first, second) = [line.split() for line in done.stdout.splitlines()[-2:]]
    assert Path(first[2]).exists() and Path(second[2]).exists()
    done = preburn("demo", folder)
    assert (done.returncode, done.stderr) == (
        2, f"preburn: {folder}: is there already and not empty; name a new folder.\n")
    done = preburn("demo", "")
    assert (done.returncode, done.stderr) == (
        2, "preburn: name the folder to lay the demo out in.\n")


def test_an_installation_without_it_says_so(tmp_path: Path,
                                            monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(demo, "CLONED", tmp_path / "none")
    with pytest.raises(ValueError, match="the demo system is not installed"):
        lay_out(tmp_path / "demo")
    assert not (tmp_path / "demo").exists()
