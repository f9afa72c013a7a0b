"""Record the machines of Tidewater and of the drivers anew, then review the diff.

    python tools/record_roms.py           # --check compares, and writes nothing

The drivers' machines are all of roms/drivers/: NAME.toml has its record in good/NAME.json there.
With ``--check`` nothing is written; exit status 1 when a machine does not run as recorded.
To be run after a wanted change of the ROM, or of how the machine works to the T-state.
"""
from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
TIDEWATER = ROOT / "roms" / "tidewater"
DRIVERS = ROOT / "roms" / "drivers"
GOOD = TIDEWATER / "good"
MACHINES = {"full": "desk", "no-timer": "untimed", "plain": "untimed"}
MILESTONES = ("kernel_main", "shell_main")
READY = "ready> "  # what a driver shows once its work is done


def preburn(*arguments: object) -> int:
    """Run one command; its exit status."""
    command = [sys.executable, "-m", "emu.cli", *map(str, arguments)]
    return subprocess.run(command, check=False, cwd=ROOT).returncode


def record(name: str) -> int:
    """Record one machine."""
    places = [word for place in MILESTONES for word in ("--milestone", place)]
    return preburn("record", TIDEWATER / f"{name}.toml", "-o", GOOD / f"{name}.json", "--limit",
                   "20", "--until", "tw> ", "--script", GOOD / f"{MACHINES[name]}.script", *places)


def drivers() -> list[tuple[Path, Path]]:
    """List the drivers' machines, each with the place of its record."""
    return [(path, path.parent / "good" / f"{path.stem}.json")
            for path in sorted(DRIVERS.glob("*/*.toml"))
            if path.name != "build.toml" and path.parent.name != "common"]


def record_driver(machine: Path, good: Path) -> int:
    """Record a driver's machine."""
    good.parent.mkdir(exist_ok=True)
    return preburn("record", machine, "-o", good, "--limit", "20", "--until", READY)


def main() -> int:
    """Record or check all of them."""
    if sys.argv[1:] == ["--check"]:
        return max(preburn("verify", machine, good) for machine, good in (
            *((TIDEWATER / f"{name}.toml", GOOD / f"{name}.json") for name in MACHINES),
            *drivers()))
    return max(*(record(name) for name in MACHINES), *(record_driver(*row) for row in drivers()))


if __name__ == "__main__":
    sys.exit(main())
