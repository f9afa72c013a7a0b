"""Machine code: the cache's key, two ways of running, and bad places for the cache."""
from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tomllib
from importlib.metadata import version
from pathlib import Path

import pytest

from emu.native import units

ROOT = Path(__file__).parent.parent


def test_a_unit_depends_on_every_source_that_it_reaches() -> None:
    names = {path.name for path in units.sources("emu.cpu.run")}
    assert {"run.py", "cycles.py", "chain.py", "memory.py", "state.py", "alu.py", "jit.py",
            "compiler.py"} <= names
    assert "boot.py" not in names


def test_a_card_does_not_depend_on_another_card() -> None:
    names = {path.name for path in units.sources("peripherals.banked_memory")}
    assert "nor_flash.py" in names
    assert "z80_ctc.py" not in names


def test_another_compiler_has_units_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another version, and the compiler as it comes beside the trimmed one."""
    assert units.compiler_version() == version("numba")
    module = "peripherals.plain_memory"
    paths = [units.unit_path(module)]
    monkeypatch.setenv("PREBURN_COMPILER", "whole")
    paths.append(units.unit_path(module))
    monkeypatch.delenv("PREBURN_COMPILER")
    monkeypatch.setattr(units, "compiler_version", lambda: "0.0.1")
    paths.append(units.unit_path(module))
    assert len({path.parent for path in paths}) == 3


def test_the_whole_compiler_makes_a_unit_too(tmp_path: Path) -> None:
    made = []
    for which in ("", "whole"):
        subprocess.run([sys.executable, "-m", "emu.native.compiler", tmp_path,
                        "peripherals.plain_memory"], cwd=ROOT, capture_output=True, check=True,
                       env={**os.environ, "PREBURN_COMPILER": which})
        made.append((tmp_path / "peripherals.plain_memory.unit").read_bytes())
    assert made[0] != made[1]
    roots = [json.loads(unit.partition(b"\n")[0]).keys() for unit in made]
    assert roots[0] == roots[1]


def test_the_compiler_makes_a_unit(tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, "-m", "emu.native.compiler", tmp_path,
                           "peripherals.plain_memory"], cwd=ROOT, text=True, capture_output=True,
                          check=True)
    assert done.stdout == "peripherals.plain_memory\n"
    assert (tmp_path / "peripherals.plain_memory.unit").stat().st_size > 500


def run_somewhere(environment: dict[str, str]) -> str:
    code = ("from emu.native.cache import cache_folder\nprint(cache_folder())")
    return subprocess.run([sys.executable, "-c", code], cwd=ROOT, text=True, capture_output=True,
                          check=True, env={**os.environ, **environment}).stdout.strip()


def test_the_cache_follows_xdg_and_falls_back(tmp_path: Path) -> None:
    assert run_somewhere({"XDG_CACHE_HOME": str(tmp_path)}) == str(tmp_path / "preburn" / "code")
    blocked = tmp_path / "file"
    blocked.write_text("")
    assert run_somewhere({"XDG_CACHE_HOME": str(blocked)}) != ""


def test_without_compiling_the_same_boot(tmp_path: Path) -> None:
    code = ("from emu.backplane.description import load\nfrom emu.machine.machine import Machine\n"
            "m = Machine(load('roms/tidewater/full.toml'))\nm.run(4000)\n"
            "import zlib\nprint(m.m.t, m.m.pc, m.m.instructions, m.m.refresh, list(m.m.r),"
            " zlib.crc32(m.snapshot().memory))")
    outs = [subprocess.run([sys.executable, "-c", code], cwd=ROOT, text=True, capture_output=True,
                           check=True, env={**os.environ, "NUMBA_DISABLE_JIT": flag}).stdout
            for flag in ("0", "1")]
    assert outs[0] == outs[1]


def test_a_damaged_unit_is_compiled_anew(tmp_path: Path) -> None:
    environment = {**os.environ, "XDG_CACHE_HOME": str(tmp_path)}
    code = ("from emu.native import units\nprint(units.address("
            "'peripherals.plain_memory.reset') != 0)")

    def start() -> str:
        return subprocess.run([sys.executable, "-c", code], cwd=ROOT, text=True, env=environment,
                              capture_output=True, check=True).stdout

    assert start() == "True\n"
    unit = next(tmp_path.rglob("peripherals.plain_memory.unit"))
    whole = unit.read_bytes()
    for damaged in (whole[:-1], b"", whole[:300] + bytes([whole[300] ^ 1]) + whole[301:]):
        unit.write_bytes(damaged)
        assert start() == "True\n"
        assert unit.read_bytes() == whole


def test_a_cache_that_others_may_write_to_is_passed_over(tmp_path: Path) -> None:
    folder = tmp_path / "preburn" / "code"
    folder.mkdir(parents=True)
    for changed in (folder, folder.parent):
        changed.chmod(0o777)
        assert run_somewhere({"XDG_CACHE_HOME": str(tmp_path)}) != str(folder)
        changed.chmod(0o700)
    folder.parent.chmod(0o700)
    assert run_somewhere({"XDG_CACHE_HOME": str(tmp_path)}) == str(folder)


def test_only_modules_of_hot_functions_are_left_untyped() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["mypy"]
    assert (settings["strict"], settings["files"]) == (True, ["emu"])
    loose = [name for row in settings["overrides"] if not row.get("disallow_untyped_defs", True)
             for name in row["module"]]
    assert loose
    for name in loose:
        source = (ROOT / f"{name.replace('.', '/')}.py").read_text()
        assert re.search(r"^@(compiled|inlined|root\()", source, re.MULTILINE), name
    assert not any("ignore_errors" in row for row in settings["overrides"])
