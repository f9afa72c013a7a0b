"""What all tests share: where things lie, and one way to run a command."""
from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

# Without bytecode each of the many processes below compiles all sources again (0.3 s), and
# collecting the tests takes three times as long.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

ROOT = Path(__file__).parent.parent
ROMS = ROOT / "roms"


@pytest.fixture
def roms() -> Path:
    """The folder of the ROMs and their backplane files."""
    return ROMS


@pytest.fixture
def preburn() -> Callable[..., subprocess.CompletedProcess[str]]:
    """Run a command as a builder does: in a process of its own."""

    def run(*arguments: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run([sys.executable, "-m", "emu.cli", *map(str, arguments)], text=True,
                              capture_output=True, cwd=ROOT, timeout=300, check=False)

    return run


def worked(pid: int) -> float:
    """Give the seconds of processor time that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
