"""Hold the CPU core against published single-step vectors: ``conformance.py PATH...``.

A PATH is a folder of one-file-an-opcode ``*.json``, one such file, or a ``*.json.gz``
that holds several (opcode -> tests).  Every field is compared: registers, MEMPTR, Q,
memory, ports, T-states, and the bus of every T-state.  Exit status 1 on any difference,
2 on bad input.

The core runs one test at a time, at 5 us; reading and comparing goes by whole opcode
files, so that the 1.6 million tests take minutes.
"""
from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import click
import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent))

import conformance_cases as hot
from conformance_vectors import PIN_BITS, Vectors, find_files, read_file

from emu.bus.state import FAR, POOL_AT, new_record
from emu.cpu.run import run as plain_run
from emu.errors import InputError
from emu.native import calls, jit, units

FIELDS = ("registers", "MEMPTR", "Q", "flags 3 and 5", "memory", "ports", "T-states", "bus")
UNITS = ("emu.cpu.run", "conformance_cases")
SPARE_FLAGS = 0x28
_F, _WZ, _Q = (hot.REGISTERS.index(n) for n in ("f", "wz", "q"))
_OTHERS = [k for k in range(len(hot.REGISTERS)) if k not in (_F, _WZ, _Q)]


class Bench:
    """A bare machine: 64 KiB of RAM and a card on every port, driven case by case."""

    def __init__(self) -> None:
        self.record = new_record()
        m = self.record[0]
        m.read_base_true[:] = np.arange(16) * 4096
        m.write_base_true[:] = m.read_base_true
        m.owner[:] = 1
        m.event_t[:] = FAR
        m.slots = 1
        m.state_offset[0] = POOL_AT
        m.log_limit = FAR
        self.feed = m.pool[:hot.PORT_FEED.itemsize].view(hot.PORT_FEED).view(np.recarray)
        if jit.plain_python():
            m.uid = -1
            calls.PLAIN_TABLE[-1, 0] = (self.feed[0], [None, hot.feed_read] + [None] * 6)
        else:
            loaded = units.load(UNITS)
            m.card_functions[0, calls.READ] = loaded.addresses["conformance_cases.feed_read"]
            self._prepare = units.callable_root("conformance_cases.prepare", 2)
            self._collect = units.callable_root("conformance_cases.collect", 2)
            self._run = units.callable_root("emu.cpu.run.run", 1)

    def cases(self, count: int) -> np.ndarray:
        """Make ``count`` empty cases."""
        return np.zeros(count, hot.CASE)

    def load(self, cases: np.ndarray, row: int, initial: dict[str, Any],
             inputs: Sequence[int]) -> None:
        """Fill one case from a vector's initial state and the bytes its ports supply."""
        case = cases[row]
        case["before"] = [initial.get(name, 0) for name in hot.REGISTERS]
        ram = initial["ram"]
        case["ram_count"] = len(ram)
        if ram:
            case["ram_at"][:len(ram)], case["ram_before"][:len(ram)] = zip(*ram, strict=True)
        case["feed_count"] = len(inputs)
        case["feed"][:len(inputs)] = inputs

    def run(self, cases: np.ndarray) -> None:
        """Run every case: one instruction each."""
        if jit.plain_python():
            self._run_plain(cases)
            return
        machine = self.record.ctypes.data
        feed = self.feed
        prefix, now = self.record["prefix"], self.record["t"]
        for row in range(len(cases)):
            if cases["feed_count"][row]:
                feed["at"] = 0
                feed["feed"][0] = cases["feed"][row]
            at = cases.ctypes.data + row * cases.itemsize
            self._prepare(machine, at)
            self._run(machine, 1)
            while prefix[0]:  # a run of prefixes is left half-way, so that it can be stopped
                self._run(machine, int(now[0]) + 1)
            self._collect(machine, at)

    def _run_plain(self, cases: np.ndarray) -> None:
        records = cases.view(np.recarray)
        for row in range(len(cases)):
            self.feed["at"] = 0
            self.feed["feed"][0] = cases["feed"][row]
            hot.prepare(self.record[0], records[row])
            plain_run(self.record[0], np.int64(1))
            while self.record["prefix"][0]:
                plain_run(self.record[0], np.int64(self.record["t"][0] + 1))
            hot.collect(self.record[0], records[row])

    def result(self, cases: np.ndarray, row: int) -> dict[str, Any]:
        """Give one case's result in the vectors' form."""
        case = cases[row]
        final = {n: int(v) for n, v in zip(hot.REGISTERS, case["after"], strict=True)}
        count = int(case["ram_count"])
        final["ram"] = [[int(a), int(v)] for a, v in
                        zip(case["ram_at"][:count], case["ram_after"][:count], strict=True)]
        ports = [[int(case["port_at"][k]), int(case["port_byte"][k]),
                  "w" if case["port_out"][k] else "r"] for k in range(int(case["port_count"]))]
        return {"final": final, "cycles": bus_rows(case), "ports": ports}


def bus_rows(case: Any) -> list[list[Any]]:
    """Give a case's bus as the vectors write it: address, byte or None, pins."""
    rows = []
    for t in range(min(int(case["states"]), hot.STATES)):
        pins = int(case["bus_pins"][t])
        data = int(case["bus_data"][t])
        rows.append([int(case["bus_address"][t]), None if data < 0 else data,
                     "".join(c if pins & bit else "-" for c, bit in PIN_BITS.items())])
    return rows


def compare(cases: np.ndarray, expected: np.ndarray) -> np.ndarray:
    """Tell which fields of which cases differ: one row a case, one column each of FIELDS."""
    changed = cases["after"] ^ expected["after"]
    same = np.ones((len(cases), len(FIELDS)), bool)
    same[:, 0] = ~(changed[:, _OTHERS].any(axis=1) | (changed[:, _F] & ~SPARE_FLAGS != 0))
    same[:, 1] = changed[:, _WZ] == 0
    same[:, 2] = changed[:, _Q] == 0
    same[:, 3] = changed[:, _F] & SPARE_FLAGS == 0
    same[:, 4] = (cases["ram_after"] == expected["ram_after"]).all(axis=1) & (cases["stray"] == 0)
    for name in ("port_count", "port_at", "port_byte", "port_out"):
        alike = cases[name] == expected[name]
        same[:, 5] &= alike if alike.ndim == 1 else alike.all(axis=1)
    same[:, 6] = cases["states"] == expected["states"]
    same[:, 7] = same[:, 6]
    for name in ("bus_address", "bus_data", "bus_pins"):
        same[:, 7] &= (cases[name] == expected[name]).all(axis=1)
    return ~same


@dataclass(frozen=True)
class Outcome:
    """What came of one opcode file; ``details`` shows its first differing tests in words."""

    name: str
    tests: int
    differing: int
    fields: dict[str, int]
    details: list[str]

    def line(self) -> str:
        """Give the outcome as one line of the report."""
        found = ", ".join(f"{field} {count}" for field, count in self.fields.items() if count)
        words = f"{self.differing} differ: {found}" if self.differing else "agree"
        return f"{self.name:<12} {self.tests:>6} tests  {words}"


def hold(bench: Bench, vectors: Vectors, first: int) -> Outcome:
    """Run the tests of one opcode file and compare; keep the first differing ones in words."""
    bench.run(vectors.cases)
    differs = compare(vectors.cases, vectors.expected)
    rows = np.flatnonzero(differs.any(axis=1))
    counts = dict(zip(FIELDS, (int(n) for n in differs.sum(axis=0)), strict=True))
    details = [describe(vectors, int(row), differs[row]) for row in rows[:first]]
    return Outcome(vectors.name, len(vectors.tests), len(rows), counts, details)


def describe(vectors: Vectors, row: int, differs: np.ndarray) -> str:
    """Write one differing test: its fields, and the T-states of both side by side."""
    got, want = vectors.cases[row], vectors.expected[row]
    fields = ", ".join(f for f, bad in zip(FIELDS, differs, strict=True) if bad)
    lines = [f"{vectors.name}: test {row} ({vectors.tests[row]}): {fields}"]
    lines += [f"    {word}" for word in _values(got, want)]
    if differs[6] or differs[7]:
        lines += _side_by_side(bus_rows(got), bus_rows(want))
    return "\n".join(lines)


def _values(got: Any, want: Any) -> Iterator[str]:
    """Name each register, byte and transfer that differs, with both values in hex."""
    for name, has, should in zip(hot.REGISTERS, got["after"], want["after"], strict=True):
        if has != should:
            yield f"{name}: got {has:02X}, expected {should:02X}"
    for k in range(int(want["ram_count"])):
        has, should = got["ram_after"][k], want["ram_after"][k]
        if has != should:
            yield f"[{want['ram_at'][k]:04X}]: got {has:02X}, expected {should:02X}"
    if got["stray"]:
        yield f"{got['stray']} writes to addresses outside the test's list"
    has, should = _transfers(got), _transfers(want)
    if has != should:
        yield f"ports: got {has}, expected {should}"
    if got["states"] != want["states"]:
        yield f"T-states: got {got['states']}, expected {want['states']}"


def _transfers(case: Any) -> str:
    words = [f"{'write' if case['port_out'][k] else 'read'} {case['port_at'][k]:04X}="
             f"{case['port_byte'][k]:02X}" for k in range(int(case["port_count"]))]
    return ", ".join(words) or "none"


def _side_by_side(got: list[list[Any]], want: list[list[Any]]) -> list[str]:
    """Write both bus lists from one T-state before the first difference, eight T-states long."""
    length = max(len(got), len(want))
    pairs = [(t, *(_row(rows, t) for rows in (got, want))) for t in range(length)]
    start = next((t for t, has, should in pairs if has != should), 0)
    lines = [f"    {'T-state':>7}  {'got':<15}  expected"]
    for t, has, should in pairs[max(start - 1, 0):start + 7]:
        lines.append(f"    {t + 1:>7}  {has:<15}  {should:<15}{'' if has == should else '  <'}"
                     .rstrip())
    return lines


def _row(rows: list[list[Any]], t: int) -> str:
    if t >= len(rows):
        return "(over)"
    address, data, pins = rows[t]
    return f"{address:04X} {'--' if data is None else f'{data:02X}'} {pins}"


_bench: Bench | None = None


def hold_file(path: Path, first: int) -> list[Outcome] | InputError:
    """Run one vector file, in whichever process; bad input comes back as its error."""
    global _bench
    if _bench is None:
        _bench = Bench()
    try:
        return [hold(_bench, vectors, first) for vectors in read_file(path)]
    except InputError as error:
        return error


def hold_files(files: Sequence[Path], first: int, jobs: int) -> Iterator[Outcome]:
    """Run vector files in ``jobs`` processes and give their outcomes in order."""
    work = partial(hold_file, first=first)
    if jobs == 1 or len(files) == 1:
        yield from _outcomes(map(work, files))
        return
    if not jit.plain_python():
        units.ready(UNITS)
    with ProcessPoolExecutor(min(jobs, len(files))) as pool:
        try:
            yield from _outcomes(pool.map(work, files))
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def _outcomes(results: Iterator[list[Outcome] | InputError]) -> Iterator[Outcome]:
    for result in results:
        if isinstance(result, InputError):
            raise result
        yield from result


@click.command()
@click.argument("paths", metavar="PATH...", nargs=-1, required=True,
                type=click.Path(path_type=Path))
@click.option("--first", default=3, show_default=True, type=click.IntRange(0),
              help="Show this many differing tests, the T-states side by side.")
@click.option("--jobs", default=2, show_default=True, type=click.IntRange(1, 64),
              help="Processes to run in.")
@click.option("--quiet", is_flag=True, help="List only the opcode files that differ.")
def main(paths: tuple[Path, ...], first: int, jobs: int, quiet: bool) -> None:
    """Hold the CPU core against single-step vectors: folders, *.json, or packed *.json.gz."""
    began = time.monotonic()
    total: Counter[str] = Counter()
    opcodes = tests = differing = 0
    details: list[str] = []
    try:
        for outcome in hold_files(find_files(paths), first, jobs):
            opcodes += 1
            tests += outcome.tests
            differing += outcome.differing
            total.update(outcome.fields)
            details += outcome.details[:first - len(details)]
            if outcome.differing or not quiet:
                click.echo(outcome.line())
    except InputError as error:
        click.echo(f"conformance: {error}", err=True)
        sys.exit(2)
    _summary(opcodes, tests, differing, total, details, time.monotonic() - began)
    sys.exit(1 if differing else 0)


def _summary(opcodes: int, tests: int, differing: int, total: Counter[str], details: list[str],
             seconds: float) -> None:
    for text in details:
        click.echo(f"\n{text}")
    click.echo(f"\n{opcodes} opcode files, {tests} tests in {seconds:.1f} s")
    for name in FIELDS:
        click.echo(f"  {name:<14} {f'{total[name]} differ' if total[name] else 'agree'}")
    click.echo(f"{differing} tests differ" if differing else "every test agrees on every field")


if __name__ == "__main__":
    main()
