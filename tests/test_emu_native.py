"""Machine code: the cache's key, two ways of running, and bad places for the cache."""
from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

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
