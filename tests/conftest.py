"""What all tests share: where things lie, and one way to run a command."""
from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

# Without bytecode each of the many processes below compiles all sources again (0.3 s), and
# collecting the tests takes three times as long.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

ROOT = Path(__file__).parent.parent
ROMS = ROOT / "roms"
COMPILES = re.compile(r"^preburn: (?:compiling for this machine, once:|  [\w.]+ done)\n", re.M)


@pytest.fixture(autouse=True)
def signals_as_found() -> Iterator[None]:
    """Put signals back as a test found them: a command run in this process that was asked to end
    ignores what asks again, and so would every process started after it."""
    found = {number: signal.getsignal(number)
             for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
    yield
    for number, handler in found.items():
        signal.signal(number, handler)


@pytest.fixture
def roms() -> Path:
    """The folder of the ROMs and their backplane files."""
    return ROMS


@pytest.fixture
def preburn() -> Callable[..., subprocess.CompletedProcess[str]]:
    """Run a command as a builder does: in a process of its own.

    What it says of compiling, which whoever comes first on a fresh clone sees, is left out.
    """

    def run(*arguments: object) -> subprocess.CompletedProcess[str]:
        done = subprocess.run([sys.executable, "-m", "emu.cli", *map(str, arguments)], text=True,
                              capture_output=True, cwd=ROOT, timeout=300, check=False)
        done.stderr = COMPILES.sub("", done.stderr)
        return done

    return run


def worked(pid: int) -> float:
    """Give the seconds of processor time that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
