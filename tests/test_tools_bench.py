"""The benchmark: its programs, its yardstick in C, its results; no time is judged."""
from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import bench
import bench_loops
import bench_reference
import bench_table
import compare_speed
import pytest
from click.testing import CliRunner

from emu.isa.disassembler import disassemble
from emu.native import jit

COMPILER = bench_reference.compiler()
needs_c = pytest.mark.skipif(COMPILER is None, reason="no C compiler")
needs_speed = pytest.mark.skipif(jit.plain_python(), reason="the plain functions are too slow")
LOOPS = [pytest.param(loop, id=loop.name) for loop in bench_loops.LOOPS]


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> object:
    assert COMPILER is not None
    return bench_reference.build(tmp_path_factory.mktemp("c"), COMPILER)


@pytest.mark.parametrize("loop", LOOPS)
def test_listings_say_what_their_bytes_do(loop: bench_loops.Loop) -> None:
    """The disassembler is held against objdump in tests/test_published_disassembler.py."""
    for address, code, text in loop.rows():
        memory = dict(enumerate(code, address))
        found = disassemble(lambda at, memory=memory: memory.get(at, 0), address)
        assert found.length == len(code), text
        assert _plain(found.text) == _plain(text)


def _plain(text: str) -> str:
    """Write numbers one way: hexadecimal without prefix, suffix or leading zeros."""
    number = re.compile(r"0x([0-9a-f]+)|\b([0-9a-f]+)h\b")
    return number.sub(lambda m: f"{int(m[1] or m[2], 16):x}", text.lower()).replace(" ", "")


@needs_c
@pytest.mark.parametrize("loop", LOOPS)
def test_the_core_and_the_c_reference_end_alike(loop: bench_loops.Loop, library: object) -> None:
    ours = bench_loops.BareMachine(loop)
    theirs = bench_reference.ReferenceMachine(loop, library)
    for t in (1, 2_000) if jit.plain_python() else (1, 5_000, 123_457, 1_000_000):
        ours.run(t)
        theirs.run(t)
        assert bench.differences(ours.end_state(), theirs.end_state()) == []
    start = bench_loops.memory_of(loop)
    assert (ours.end_state()["r"] != 0).any()
    if loop is not bench_loops.REGISTERS:
        assert (ours.end_state()["memory"] != start).any()


def test_a_wrong_end_state_is_named() -> None:
    ours = bench_loops.BareMachine(bench_loops.MIXED)
    ours.run(1_000)
    right, wrong = ours.end_state(), ours.end_state()
    wrong["memory"] = wrong["memory"].copy()
    wrong["memory"][0x4000] ^= 1
    wrong["wz"] = wrong["wz"] + 1
    assert bench.differences(right, wrong) == ["wz", "memory"]


@needs_c
def test_the_reference_refuses_what_it_lacks(library: object) -> None:
    loop = bench_loops.Loop("none", "0000 76           halt")
    with pytest.raises(RuntimeError, match="lacks an opcode before 0001h"):
        bench_reference.ReferenceMachine(loop, library).run(100)


def test_figures_are_medians_with_their_spread_and_ratio() -> None:
    fast, slow = iter([4.0, 8.0, 100.0]), iter([2.0, 2.0, 10.0])
    work = [bench_table.Workload("fast", "MT/s", lambda: next(fast), against="slow",
                                 goal_ratio=3.5),
            bench_table.Workload("slow", "MT/s", lambda: next(slow), goal=1)]
    first, second = bench_table.measure(work, 3)
    assert (first.median, first.low, first.high, first.ratio) == (8, 6, 54, 4)
    assert (first.met, second.met) == (True, True)
    assert bench_table.geometric_mean([0.5, 2.0]) == pytest.approx(1)


def test_lower_is_better_where_it_is() -> None:
    times = iter([0.3, 0.1, 0.2])
    work = [bench_table.Workload("start", "s", lambda: next(times), "lower", 0.15)]
    figure = bench_table.measure(work, 3)[0]
    assert (figure.median, figure.met, figure.goal) == (0.2, False, "at most 0.15 s")


@needs_speed
def test_the_short_mode_runs_all_and_judges_nothing() -> None:
    done = CliRunner().invoke(bench.main, ["--short", "--json", "--only", "loops",
                                           "--only", "machines", "--only", "programs",
                                           "--only", "growth", "--only", "traces"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["machine"]["cores"] >= 1
    names = {figure["name"] for figure in told["loops"]}
    assert {loop.name for loop in bench_loops.LOOPS} <= names
    assert all(figure["met"] is None for figure in told["loops"] + told["machines"])
    assert all(figure["median"] > 0
               for group in ("machines", "growth", "traces") for figure in told[group])
    assert {figure["name"] for figure in told["programs"]} == {
        "instruction soak", "a file system made on a floppy", "card in plain Python, polled"}
    if COMPILER is not None:
        assert "mixed in C" in names


@needs_speed
def test_the_stepper_goes_back_and_its_dozen_of_stops_is_never_met() -> None:
    """bench_stepper raises when a stop is met that should not be, or nothing is found."""
    done = CliRunner().invoke(bench.main, ["--short", "--json", "--only", "stepper"])
    assert done.exit_code == 0, done.output
    figures = json.loads(done.stdout)["stepper"]
    assert len(figures) == 7 and all(figure["median"] > 0 for figure in figures)


@needs_speed
def test_the_processes_do_what_they_are_timed_for() -> None:
    done = subprocess.run([sys.executable, "tools/bench.py", "--short", "--only", "starts"],
                          cwd=compare_speed.ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "warm start to the first console byte" in done.stdout


@needs_speed
def test_two_trees_side_by_side() -> None:
    here = str(compare_speed.ROOT)
    done = CliRunner().invoke(compare_speed.main, [here, here, "--rounds", "1", "--json"])
    assert done.exit_code == 0, done.output
    rows = json.loads(done.stdout)["rows"]
    assert [row["workload"] for row in rows][-1] == "Tidewater busy"
    assert all(row["same"] for row in rows)


def test_a_wrong_revision_is_one_line(tmp_path: Path) -> None:
    done = CliRunner().invoke(compare_speed.main, ["no-such-thing", "."])
    assert done.exit_code == 2
    assert "no-such-thing: neither a folder nor a revision of this repository." in done.output
    done = CliRunner().invoke(compare_speed.main, [str(tmp_path), "."])
    assert f"{tmp_path}: no folder emu in it; name a working tree." in done.output
