"""Record the Tidewater machines anew: ``python tools/record_roms.py``, then review the diff.

With ``--check`` nothing is written; exit status 1 when a machine does not run as recorded.
To be run after a wanted change of the ROM, or of how the machine works to the T-state.
"""
from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
TIDEWATER = ROOT / "roms" / "tidewater"
GOOD = TIDEWATER / "good"
MACHINES = {"full": "desk", "no-timer": "untimed", "plain": "untimed"}
MILESTONES = ("kernel_main", "shell_main")


def preburn(*arguments: object) -> int:
    """Run one command; its exit status."""
    command = [sys.executable, "-m", "emu.cli", *map(str, arguments)]
    return subprocess.run(command, check=False, cwd=ROOT).returncode


def record(name: str) -> int:
    """Record one machine."""
    places = [word for place in MILESTONES for word in ("--milestone", place)]
    return preburn("record", TIDEWATER / f"{name}.toml", "-o", GOOD / f"{name}.json", "--limit",
                   "20", "--until", "tw> ", "--script", GOOD / f"{MACHINES[name]}.script", *places)


def main() -> int:
    """Record or check all of them."""
    if sys.argv[1:] == ["--check"]:
        return max(preburn("verify", TIDEWATER / f"{name}.toml", GOOD / f"{name}.json")
                   for name in MACHINES)
    return max(record(name) for name in MACHINES)


if __name__ == "__main__":
    sys.exit(main())
