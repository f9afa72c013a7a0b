"""Throw hostile inputs at preburn, keep count, and make what breaks it small.

    python tools/fuzz.py --family captures --count 500      # one family
    python tools/fuzz.py --resume fuzz.json --minutes 30    # all, going on where it stood
    python tools/fuzz.py --resume fuzz.json --count 0 --recheck   # what was found: is it mended?
    python tools/fuzz.py --resume fuzz.json --count 0 --write     # the table of docs/reliability.md
    python tools/fuzz.py --lay FAMILY NUMBER DIR [--resume fuzz.json]   # a case's files, to try

Every input is made from the seed, the family's name and its number, so a run can be cut anywhere
and gone on with.  Checked of each: no traceback; exit status 0, 1 or 2; a refusal is one line; no
control characters on a terminal; no file touched that was not to be written; an end within bounds
of processor time and memory.  Exit status 0: nothing broke; 1: something did; 2: wrong options.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import asdict
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
if __name__ == "__main__":
    sys.path[:0] = [str(ROOT), str(ROOT / "tools"), str(ROOT / "tests")]

from fuzzing import act, pool, table  # noqa: E402
from fuzzing.case import Case, Family, Result  # noqa: E402
from fuzzing.families import FAMILIES  # noqa: E402
from fuzzing.ledger import Figures, Finding, Ledger, packed, read, unpacked  # noqa: E402

PAGE = ROOT / "docs" / "reliability.md"
TURN = 30.0  # seconds for one family before the next has its turn


def batch(family: Family, figures: Figures, seed: int, count: int) -> None:
    """Do so many cases, and look closer at those that break something."""
    first = figures.next
    numbers = range(first, first + count)
    while figures.next < first + count:
        here = figures.next
        for number, result in pool.run(
            family, numbers[here - first :], lambda n: family.case(seed, n)
        ):
            figures.add(number, result)
            if result.kind == "tool":
                raise RuntimeError(f"{family.name} {number}: {result.told}")
            if result.kind:
                _note(family, figures, number, family.case(seed, number), result)
        if figures.next == here:
            raise RuntimeError(f"{family.name}: the process does nothing")


def _note(family: Family, figures: Figures, number: int, case: Case, result: Result) -> None:
    """Keep what a case broke, when it does so alone too; made small when it is new."""
    known = figures.finding(result)
    if known is not None:
        known.count += 1
        return
    again = pool.alone(family, case)
    if not again.kind:
        figures.not_alone += 1
        return
    known = figures.finding(again)
    if known is not None:
        known.count += 1
        return
    small = pool.shrink(family, case, again)
    figures.found.append(Finding(again.kind, again.mark, number, again.told, case=packed(small)))
    print(f"{family.name} {number}: {again.kind}: {again.mark}", file=sys.stderr, flush=True)


def recheck(ledger: Ledger) -> None:
    """Do what was found again, to see what is mended."""
    for name, figures in ledger.families.items():
        for one in figures.found:
            again = pool.alone(FAMILIES[name], unpacked(one.case))
            one.mended = not again.kind
            if not one.mended:
                print(f"{name} {one.first}: still {again.kind}: {again.mark}", file=sys.stderr)


def lay(ledger: Ledger, name: str, number: int, folder: Path) -> None:
    """Put a case's files into a folder, small if it was made so, and tell its words."""
    figures = ledger.families.get(name)
    small = next((f.case for f in figures.found if f.first == number), None) if figures else None
    case = FAMILIES[name].case(ledger.seed, number) if small is None else unpacked(small)
    folder.mkdir(parents=True)
    act.lay(folder, dict(case.files))
    print(json.dumps({"words": case.words, "stream": case.stream.decode("latin-1")}, indent=1))


def options(arguments: list[str]) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--family", action="append", choices=sorted(FAMILIES))
    parser.add_argument("--count", type=int, default=None, help="cases a family")
    parser.add_argument("--minutes", type=float, default=None, help="of wall time, round robin")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--resume", type=Path, help="a ledger to go on from, made if need be")
    parser.add_argument("--recheck", action="store_true")
    parser.add_argument("--write", action="store_true", help="write docs/reliability.md")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--lay", nargs=3, metavar=("FAMILY", "NUMBER", "DIR"))
    return parser.parse_args(arguments)


def main(arguments: list[str]) -> int:
    """Do what was asked; the exit status."""
    asked = options(arguments)
    ledger = read(asked.resume) if asked.resume and asked.resume.exists() else Ledger(asked.seed)
    if asked.lay:
        lay(ledger, asked.lay[0], int(asked.lay[1]), Path(asked.lay[2]))
        return 0
    names = asked.family or list(FAMILIES)
    if asked.count != 0:
        from fuzzing.families import warm_up

        warm_up()
    end = time.monotonic() + asked.minutes * 60 if asked.minutes is not None else None
    left = dict.fromkeys(
        names, asked.count if asked.count is not None else (10**9 if end is not None else 100)
    )
    while any(left.values()) and (end is None or time.monotonic() < end):
        for name in filter(left.get, names):
            turn = min(time.monotonic() + TURN, end or float("inf"))
            while left[name] and time.monotonic() < turn:
                count = min(FAMILIES[name].batch, left[name])
                batch(FAMILIES[name], ledger.of(name), ledger.seed, count)
                left[name] -= count
                if asked.resume:
                    ledger.save(asked.resume)
    if asked.recheck:
        recheck(ledger)
        if asked.resume:
            ledger.save(asked.resume)
    if asked.write:
        PAGE.write_text(table.filled(PAGE.read_text(), ledger, FAMILIES))
    if asked.json:
        print(
            json.dumps(
                {
                    "seed": ledger.seed,
                    "families": {name: asdict(one) for name, one in ledger.families.items()},
                },
                indent=1,
            )
        )
    else:
        print("\n".join(table.lines(ledger, FAMILIES)))
    return int(any(not f.mended for one in ledger.families.values() for f in one.found))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
