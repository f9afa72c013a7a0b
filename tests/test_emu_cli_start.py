"""What a start loads and keeps: nothing that a plain boot does not need before it runs."""
from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
LATER = ("emu.diagnosis", "emu.chronicle", "emu.report", "emu.usage", "emu.stepper", "emu.logs",
         "importlib.metadata", "numba", "elftools", "distributed", "rich", "peripherals.fdc_765")


def answer(code: str, **environment: str) -> str:
    return subprocess.run([sys.executable, "-c", code], cwd=ROOT, text=True, capture_output=True,
                          check=True, env={**os.environ, **environment}).stdout


def test_a_boot_loads_the_verdict_behind_the_console_only() -> None:
    code = f"""
import sys
from emu.cli import boot
from emu.run.session import Session

def stop(*_):
    print("run", [name for name in {LATER} if name in sys.modules])
    sys.exit()

Session.run = stop
boot.command.main(["roms/tidewater/full.toml"])
"""
    assert answer(code) == "run []\n"


def test_bytecode_is_kept_in_the_cache_where_none_is_written_beside(tmp_path: Path) -> None:
    code = ("import sys\nfrom emu.native.cache import keep_bytecode\nkeep_bytecode()\n"
            "import emu.isa.opcodes, subprocess\n"
            "print(subprocess.run([sys.executable, '-c', 'import sys; "
            "print(sys.dont_write_bytecode, sys.pycache_prefix)'], capture_output=True, "
            "text=True).stdout, end='')")
    place = tmp_path / "preburn" / "code" / "bytecode"
    assert answer(code, XDG_CACHE_HOME=str(tmp_path), PYTHONDONTWRITEBYTECODE="1") == \
        f"False {place}\n"
    assert [path.name.partition(".")[0] for path in place.rglob("opcodes.*.pyc")] == ["opcodes"]
