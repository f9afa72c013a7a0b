"""How often is the verdict right?  Boot every machine of the zoo, or the corpus of mutants.

    python tools/accuracy.py                  # the zoo: a table, and the sums
    python tools/accuracy.py --json           # the sums and the machines, as one object
    python tools/accuracy.py --only stack     # machines with this word in their name
    python tools/accuracy.py --corpus all --sample 200 --seed 3    # 200 mutants, the same ones
    python tools/accuracy.py --show sluice/im-missing/boot.s:44 --into /tmp/m    # look into one
    python tools/accuracy.py --corpus all --resume rows.jsonl --write-table    # for a release

The corpus (tools/mutants/) is healthy programs with one mistake each, whose truth is known
because it was made; docs/accuracy.md says how they are judged.  It holds no threshold: the
exit status is 0.  Assembling the mutants needs the cross tools and sdcc (tools/build_roms.py).

The zoo: each machine boots as a builder boots it, ``preburn boot FILE --json`` in a process of
its own; the wall time is that of the process.  The expected.toml of each folder in roms/broken/ and
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
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
from mutants import corpus, figures, kernel, page, runner, show

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


def zoo(as_json: bool, only: str) -> bool:
    """Boot the zoo, print how it went, tell whether the goals are met."""
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
    return good(total)


def progress(done: int, whole: int, rows: list[dict[str, Any]]) -> None:
    """Say on the error output how far a measurement is; of closed programs no single result."""
    if not rows or rows[0]["half"] != "open":
        said = ""
    elif "runs" in rows[0]:
        said = ", ".join([rows[0]["truth"], *(f"{image} {run['class']} ({run['cause']})"
                                              for image, run in rows[0]["runs"].items())])
    else:
        said = ", ".join(f"accused of {row['cause']}" if row["accused"] else "not accused"
                         for row in rows)
    click.echo(f"{done}/{whole} {rows[0]['id'] + ': ' + said if said else ''}", err=True)


def measure_corpus(half: str, only: str, number: int | None, seed: int, jobs: int,
                   resume: Path | None) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Measure the corpus; return the sums and the rows of the open half."""
    try:
        programs = {k.name: k for k in kernel.kernels(half) if only in k.name}
        if not programs:
            raise click.ClickException(f"no program of {half!r} has {only!r} in its name.")
        chosen, runs = runner.choose(programs, number, seed)
        rows, healthy = runner.run(programs, chosen, runs, runner.Kept(resume), jobs, progress)
    except kernel.CorpusError as error:
        raise click.ClickException(str(error)) from None
    shown = [row for row in [*rows, *healthy] if row["half"] == "open"]
    return figures.figures(rows, healthy), shown


def show_one(name: str, into: Path) -> None:
    """Make one mutant in a folder and say what an answer about it must name."""
    if into.exists():
        raise click.ClickException(f"{into} exists; name a folder that does not.")
    try:
        known = corpus.corpus(k for k in kernel.kernels() if k.name == name.split("/")[0])
        if name not in known:
            raise click.ClickException(f"no mutant is called {name!r}.")
        for line in show.show(*known[name], into):
            click.echo(line)
    except kernel.CorpusError as error:
        raise click.ClickException(str(error)) from None


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option("--only", default="", help="Machines, or programs, with this word in their name.")
@click.option("--corpus", "half", type=click.Choice(["open", "closed", "all"]),
              help="Measure mutants of roms/kernels/ instead of the zoo.")
@click.option("--sample", type=click.IntRange(1), help="Only so many mutants.")
@click.option("--seed", default=1, help="Which ones.")
@click.option("--jobs", type=click.IntRange(1), default=2, help="Boots at a time.")
@click.option("--resume", type=click.Path(dir_okay=False, path_type=Path),
              help="Keep each row in this file, and go on from it.")
@click.option("--show", "shown", metavar="ID", help="Make this one mutant, say what it is.")
@click.option("--into", type=click.Path(path_type=Path), default=Path("mutant"),
              help="The folder for it.")
@click.option("--write-table", is_flag=True, help="Put the figures into docs/accuracy.md.")
def main(as_json: bool, only: str, half: str | None, sample: int | None, seed: int, jobs: int,
         resume: Path | None, shown: str | None, into: Path, write_table: bool) -> None:
    """Say how many verdicts are right, of the zoo or of the corpus of mutants."""
    if shown:
        show_one(shown, into)
        return
    if half is None:
        sys.exit(0 if zoo(as_json, only) else 1)
    total, rows = measure_corpus(half, only, sample, seed, jobs, resume)
    what = f"{half} programs" + (f", a sample of {sample} with seed {seed}" if sample else "")
    heading = f"Measured on {datetime.now(UTC).date().isoformat()}: {what}."
    if write_table:
        page.write(ROMS.parent / "docs" / "accuracy.md", total, heading)
    if as_json:
        click.echo(json.dumps({**total, "open_rows": rows}, indent=2))
    else:
        click.echo(page.table(total, heading))


if __name__ == "__main__":
    main()
