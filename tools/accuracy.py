"""How often is the verdict right?  Boot every machine of the zoo and every healthy one.

    python tools/accuracy.py                  # a table, and the sums
    python tools/accuracy.py --json           # the sums and the machines, as one object
    python tools/accuracy.py --only stack     # machines with this word in their name

Each machine boots as a builder boots it: ``preburn boot FILE --json`` in a process of its own;
the wall time is that of the process.  The expected.toml of each folder in roms/broken/ and
roms/healthy/ says what its machines must be told: `cause` (none for a healthy one), perhaps
`verdict`, and the decisive facts: `facts` (keys of the verdict's facts), `evidence` and `remedy`
(words that must stand in the summary and the evidence, and in the remedies).  `limit`, `send`,
`until`, `after` are for the run.  Exit status 1 when fewer than 95 % of the broken machines are
named right, a healthy one is accused, or the median takes 3 s or more.
"""
from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import time
import tomllib
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import click

ROMS = Path(__file__).resolve().parent.parent / "roms"
GOAL_NAMED, GOAL_SECONDS = 0.95, 3.0
SOUND = ("reached", "waiting-for-input", "still-running")
RIGHT, WRONG, MISSED, ACCUSED = "right", "wrong", "missed", "accused"
KEYS = {"cause", "verdict", "facts", "evidence", "remedy",
        "limit", "send", "until", "after", "script"}


@dataclass(frozen=True)
class Result:
    """What one machine was told, and whether that is so."""

    name: str
    healthy: bool
    expected: str
    verdict: str
    cause: str | None
    outcome: str
    wall_seconds: float


def machines(folder: Path) -> dict[str, dict[str, Any]]:
    """Read what the machines of roms/KIND must be told; `family` is the folder of each."""
    table: dict[str, dict[str, Any]] = {}
    for path in sorted(folder.glob("*/expected.toml")):
        for name, row in tomllib.loads(path.read_text()).items():
            if name in table or set(row) - KEYS:
                wrong = ", ".join(sorted(set(row) - KEYS)) or "stands in another folder, too"
                raise click.ClickException(f"{path}: [{name}]: {wrong}.")
            table[name] = {**row, "family": path.parent.name}
    return table


def arguments(row: dict[str, Any]) -> list[str]:
    """Make the options of ``preburn boot`` for a machine."""
    out = ["--limit", str(row.get("limit", 3))]
    for key in ("until", "script"):
        if key in row:
            out += [f"--{key}", str(row[key])]
    afters = row.get("after", [])
    for number, keys in enumerate(row.get("send", [])):
        if number < len(afters):
            out += ["--after", afters[number]]
        out += ["--send", keys]
    return out


def missing(row: dict[str, Any], told: dict[str, Any]) -> list[str]:
    """List the decisive facts of a machine that its verdict does not tell."""
    facts = told["facts"]
    lines = {"evidence": [told["summary"], *told["evidence"]], "remedy": told["remedy"]}
    return [f"{key} {value!r}" for key, value in row.get("facts", {}).items()
            if facts.get(key) != value] + [
        f"{part} {words!r}" for part, text in lines.items() for words in row.get(part, ())
        if words not in "\n".join(text)]


def judge(row: dict[str, Any], told: dict[str, Any]) -> str:
    """Hold a verdict against what it must be."""
    cause, verdict = told.get("cause"), told.get("verdict")
    if "cause" not in row:
        wanted = (row["verdict"],) if "verdict" in row else SOUND
        return RIGHT if cause is None and verdict in wanted else ACCUSED
    if cause is None:
        return MISSED
    same = cause == row["cause"] and verdict == row.get("verdict", verdict)
    return RIGHT if same and not missing(row, told) else WRONG


def boot(folder: Path, name: str, row: dict[str, Any]) -> Result:
    """Boot one machine in a process of its own."""
    path = folder / row["family"] / f"{name}.toml"
    command = [sys.executable, "-m", "emu.cli", "boot", str(path), "--json", *arguments(row)]
    environment = {**os.environ, "PYTHONPATH": str(ROMS.parent)}
    started = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=environment)
    wall = time.perf_counter() - started
    if done.returncode not in (0, 1) or not done.stdout:
        raise click.ClickException(f"{name}: {done.stderr.strip()[-400:]}")
    told = json.loads(done.stdout)
    return Result(name, "cause" not in row, row.get("cause", "healthy"), told["verdict"],
                  told["cause"], judge(row, told), round(wall, 3))


def sums(results: list[Result]) -> dict[str, Any]:
    """Count the outcomes."""
    def count(outcome: str, healthy: bool = False) -> int:
        return sum(r.outcome == outcome and r.healthy == healthy for r in results)

    broken = sum(not r.healthy for r in results)
    return {
        "broken": broken, "named": count(RIGHT), "wrong": count(WRONG), "missed": count(MISSED),
        "healthy": len(results) - broken, "accused": count(ACCUSED, True),
        "causes": len({r.expected for r in results if not r.healthy}),
        "median_wall_seconds": round(statistics.median(r.wall_seconds for r in results), 3),
    }


def good(total: dict[str, Any]) -> bool:
    """Tell whether the goals are met."""
    return bool(total["named"] >= GOAL_NAMED * total["broken"] and not total["accused"]
                and total["median_wall_seconds"] < GOAL_SECONDS)


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option("--only", default="", help="Machines with this word in their name.")
def main(as_json: bool, only: str) -> None:
    """Boot every machine of the zoo and say how many verdicts are right."""
    chosen = [(ROMS / kind, name, row) for kind in ("broken", "healthy")
              for name, row in machines(ROMS / kind).items() if only in name]
    if not chosen:
        raise click.ClickException(f"no machine has {only!r} in its name.")
    boot(*chosen[0])  # compiles what is not in the cache yet
    results = []
    for folder, name, row in chosen:
        result = boot(folder, name, row)
        results.append(result)
        if not as_json:
            mark = "" if result.outcome == RIGHT else f"  <-- {result.outcome}"
            click.echo(f"{name:24} {result.expected:22} {result.verdict:18} "
                       f"{result.cause or '-':22} {result.wall_seconds:6.2f} s{mark}")
    total = sums(results)
    if as_json:
        click.echo(json.dumps({**total, "machines": [asdict(r) for r in results]}, indent=2))
    else:
        click.echo(", ".join(f"{key} {value}" for key, value in total.items()))
    sys.exit(0 if good(total) else 1)


if __name__ == "__main__":
    main()
