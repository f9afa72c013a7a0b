"""Sweeps: the machines of the axes, the runs, what is kept, and the tables."""
from __future__ import annotations

import csv
import json
import math
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import Executor, Future
from fractions import Fraction
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from knowngood_bench import FULL, TIDEWATER

from emu.backplane.description import load, load_tree
from emu.cli import group
from emu.errors import InputError
from emu.machine.machine import Machine
from emu.run.session import Session
from emu.sweep import axes, tables
from emu.sweep.axes import Axis, Choice
from emu.sweep.jobs import NOT_RUN, Asked, Job, make_jobs, run_job
from emu.sweep.run import KILLED, Results, rows, run
from emu.sweep.workers import EACH_CORE, count_of, local_pool

PROMPT = Asked("tw> ", Fraction(1, 10), ())


class Here(Executor):
    """Run each job at once, in this process; raise Ctrl-C after some."""

    def __init__(self, most: float = math.inf) -> None:
        self.count, self._most = 0, most

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        if self.count < self._most:
            future.set_result(fn(*args, **kwargs))
            self.count += 1
        return future


def jobs_of(*chosen: Axis, asked: Asked = PROMPT, path: Path = FULL) -> list[Job]:
    return make_jobs(load_tree(path), path, chosen, asked)


def lucky(folder: Path) -> Path:
    """A machine that boots only when the RAM byte at 8000h is below 80h at power-on."""
    program = bytes.fromhex(
        "3a0080"    # ld a, (8000h)
        "07"        # rlca
        "380e"      # jr c, fail
        "3e03d330"  # ld a, 3; out (30h), a: master reset
        "3e15d330"  # ld a, 15h; out (30h), a: divide by 16, 8 bits, no parity, one stop bit
        "3e21d331"  # ld a, '!'; out (31h), a
        "18fe"      # jr $
        "f376")     # fail: di; halt
    (folder / "lucky.bin").write_bytes(program)
    path = folder / "lucky.toml"
    path.write_text("""
[slot.cpu]
card = "z80-cpu"
clock = "4 MHz"
[slot.memory]
card = "plain-memory"
image = "lucky.bin"
rom-start = 0x0000
rom-size = 32768
ram-start = 0x8000
ram-size = 32768
[slot.acia]
card = "acia-6850"
base = 0x30
clock = "614.4 kHz"
terminal = { baud = 38400, format = "8N1" }
""")
    return path


def test_seeds_find_what_boots_by_luck(tmp_path: Path) -> None:
    """A program that trusts a RAM byte at power-on: it greets with a ! only below 80h."""
    path = lucky(tmp_path)
    asked = Asked("!", Fraction(1, 20), ())
    todo = jobs_of(axes.seeds(24), asked=asked, path=path)
    results = Results(None)
    run(todo, Here(), results)
    expected = []
    for seed in range(1, 25):
        machine = Machine(load(path), seed)
        ram = int(machine.m.phys[int(machine.m.mem_base[1]) + 0x8000])
        expected.append(ram < 0x80)
    table = rows(todo, results.found)
    assert [row["boots"] for row in table] == expected
    assert 2 < sum(expected) < 22
    told = tables.summary(table)
    assert told[0].startswith(f"{sum(expected)} of 24 machines boot")
    assert {row["cause"] for row in table if not row["boots"]} == {"unwritten-ram"}


def test_the_power_on_noise_is_that_of_the_seed() -> None:
    one, same, other = (Machine(load(FULL), seed) for seed in (1, 1, 2))
    first, second, third = (m.snapshot() for m in (one, same, other))
    assert (first.memory == second.memory).all() and (first.memory != third.memory).any()
    assert list(one.slot("memory").state.page) != list(other.slot("memory").state.page)
    assert len({int(Machine(load(FULL), seed).m.bus_byte) for seed in range(8)}) > 4


def test_the_axes_of_tidewater() -> None:
    tree = load_tree(FULL)
    assert axes.removable(tree) == ["ctc", "sio"]
    assert [c.label for c in axes.cards(tree, False).choices] == ["nothing", "ctc", "sio"]
    assert [c.label for c in axes.cards(tree, True).choices][-1] == "ctc, sio"
    assert [c.label for c in axes.chain_orders(tree).choices] == ["ctc > sio", "sio > ctc"]
    todo = jobs_of(axes.chain_orders(tree), axes.cpu_setting(tree, "clock", ["4 MHz", "8 MHz"]),
                   axes.cpu_setting(tree, "part", ["cmos"]), axes.waits(tree, [0, 2]),
                   axes.setting("slot.sio.clock-a=614.4 kHz|cpu"), axes.seeds(3))
    assert len(todo) == 2 * 2 * 1 * 2 * 2 * 3 == len({job.key for job in todo})
    labels = dict(todo[-1].variant.labels)
    assert labels == {"chain": "sio > ctc", "clock": "8 MHz", "part": "cmos", "waits": "2",
                      "sio.clock-a": "cpu", "seed": "3"}
    assert todo[-1].variant.changes["slot.memory.waits-m1"] == 2
    assert [job.number for job in todo] == list(range(1, 49))


def test_a_variant_runs_as_its_own_file_would(tmp_path: Path) -> None:
    """The verdict and the time are those of a backplane file written by hand."""
    path = tmp_path / "slow.toml"
    path.write_text(f'extends = "{FULL}"\n[backplane]\nchain = ["sio", "ctc"]\n[slot.cpu]\n'
                    f'clock = "8 MHz"\n[slot.memory]\nwaits-m1 = 1\nwaits-mem = 1\n')
    session = Session(Machine(load(path)), "tw> ", Fraction(1, 10))
    session.run()
    tree = load_tree(FULL)
    todo = jobs_of(axes.chain_orders(tree), axes.cpu_setting(tree, "clock", ["8 MHz"]),
                   axes.waits(tree, [1]))
    found = run_job(todo[-1])
    assert found["verdict"] == "reached" and found["t_states"] == session.reached_t


def test_results_are_the_same_in_any_order(tmp_path: Path) -> None:
    tree = load_tree(FULL)
    todo = jobs_of(axes.cards(tree, True), axes.seeds(2))
    one, two = Results(None), Results(tmp_path / "results.jsonl")
    run(todo, Here(), one)
    with local_pool(2) as pool:
        run(list(reversed(todo)), pool, two)
    assert rows(todo, one.found) == rows(todo, two.found)
    assert [row["boots"] for row in rows(todo, one.found)] == [True] * 4 + [False] * 4


def test_a_sweep_goes_on_where_it_was_broken_off(tmp_path: Path,
                                                 monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "results.jsonl"
    todo = jobs_of(axes.seeds(6))
    kept = Results(path)

    def impatient(futures: list[Future[Any]]) -> Any:
        yield futures[0]
        raise KeyboardInterrupt

    monkeypatch.setattr("emu.sweep.run.as_completed", impatient)
    with pytest.raises(KeyboardInterrupt):
        run(todo, Here(3), kept)
    monkeypatch.undo()
    text = path.read_text()
    path.write_text(text[:-5])  # as if the machine had gone down in the middle of a line
    again, here = Results(path), Here()
    assert len(again.found) == 2
    seen: list[tuple[int, int]] = []
    run(todo, here, again, lambda done, count: seen.append((done, count)))
    assert here.count == 4 and seen[0] == (2, 6) and seen[-1] == (6, 6)
    assert len(Results(path).found) == 6


DEADLY = """
import multiprocessing
import os
import numpy as np
from peripherals.card import Card, Jumper

STATE = np.dtype([("slot", np.int64)], align=True)

def power_on(setup):
    if setup.settings["deadly"] and multiprocessing.parent_process():
        os.kill(os.getpid(), 9)

CARD = Card(name="mine", summary="mine", source="own", state=STATE, registers=(),
            needs_port=False, power_on=power_on, functions={},
            jumpers=(Jumper("deadly", "int", 0, "kills its process", 0, 1),))
"""


def test_a_killed_process_is_told_and_the_others_go_on(tmp_path: Path) -> None:
    path = lucky(tmp_path)
    (tmp_path / "mine.py").write_text(DEADLY)
    path.write_text(path.read_text() + '[slot.mine]\ncard = "./mine.py"\n')
    asked = Asked("!", Fraction(1, 50), ())
    todo = jobs_of(axes.setting("slot.mine.deadly=0|1"), axes.seeds(3), asked=asked, path=path)
    kept = Results(tmp_path / "results.jsonl")
    with local_pool(2) as pool:
        run(todo, pool, kept)
    table = rows(todo, kept.found)
    assert [row["summary"] == KILLED for row in table] == [False] * 3 + [True] * 3
    assert [row["verdict"] for row in table[3:]] == ["not-run"] * 3
    assert len(Results(kept.path).found) == 3  # those killed are run again next time


@pytest.mark.skipif(os.name != "posix", reason="signals")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGKILL])
def test_no_process_is_left_when_the_sweep_is_ended(tmp_path: Path, number: int) -> None:
    sweep = subprocess.Popen(
        [sys.executable, "-m", "emu.cli", "sweep", str(FULL), "--seeds", "3", "--until", "never",
         "--limit", "1000000", "--jobs", "2"], cwd=Path(__file__).parent.parent,
        stderr=subprocess.DEVNULL, start_new_session=True)
    while len(children := of_session(sweep.pid)) < 4:  # itself, two workers, their tracker
        assert sweep.poll() is None
        time.sleep(0.2)
    sweep.send_signal(number)
    assert sweep.wait(60) == (-9 if number == signal.SIGKILL else 128 + number)
    for _ in range(600):
        if not of_session(sweep.pid):
            break
        time.sleep(0.1)
    assert of_session(sweep.pid) == [], children


def of_session(number: int) -> list[str]:
    """List the processes of a session that have not ended."""
    told = subprocess.run(["ps", "-o", "pid=,stat=", "-s", str(number)], text=True,
                          capture_output=True, check=False).stdout
    return [line for line in told.splitlines() if "Z" not in line]


def test_the_number_of_processes_is_bounded() -> None:
    cores = os.cpu_count() or 1
    assert count_of(None) == cores
    assert count_of(1000) == EACH_CORE * cores and count_of(1) == 1


def test_what_does_not_go_together_is_a_row(tmp_path: Path) -> None:
    """A fault of a card that is not there, and typing where no terminal is."""
    tree = load_tree(FULL)
    todo = jobs_of(axes.cards(tree, False), axes.faults(["card-silent,slot=sio"]))
    bad = [job for job in todo if job.problem]
    assert [dict(job.variant.labels)["without"] for job in bad] == ["sio"]
    found = rows(bad, {})[0]
    assert found["verdict"] == NOT_RUN and "sio" in found["summary"]
    assert tables.summary([found, found])[1] == f"2 not run: {found['summary']}"
    with pytest.raises(InputError, match="there is no fault .card-sleepy."):
        jobs_of(axes.faults(["card-sleepy"]))
    with pytest.raises(InputError, match="there is no slot 'siu'"):
        jobs_of(axes.setting("slot.siu.base=1|2"))


def row(number: int, boots: bool, **varied: str) -> dict[str, Any]:
    return {"number": number, "varied": varied, "boots": boots, "cause": None if boots else "x<y",
            "verdict": "reached" if boots else "hung", "summary": "a, \"b\" & <c>",
            "t_states": 5, "seconds": 0.25, "where": ""}


def test_tables_hold_every_row() -> None:
    table = [row(1, True, clock="4 MHz", seed="1"), row(2, False, clock="8 MHz", seed="1")]
    read = list(csv.DictReader(StringIO(tables.as_csv(table))))
    assert [r["boots"] for r in read] == ["yes", "no"]
    assert read[0]["summary"] == 'a, "b" & <c>' and read[1]["clock"] == "8 MHz"
    page = tables.as_html("T & T", table)
    assert "<h1>T &amp; T</h1>" in page and "<td>x&lt;y</td>" in page and "<c>" not in page
    assert page.count("<tr") == 3 and "http" not in page
    assert [line.split()[0] for line in tables.text(table)] == ["clock", "4", "8"]
    assert tables.summary(table) == [
        "1 of 2 machines boot; the others: 1 x<y.",
        "clock: boots for 4 MHz; never boots for 8 MHz."]


def test_too_much_is_refused() -> None:
    many = Axis("a", tuple(Choice(str(k)) for k in range(400)))
    with pytest.raises(InputError, match="64,000,000 machines"):
        axes.product([many, many, many])
    with pytest.raises(InputError, match="fewer than two cards"):
        axes.chain_orders(load_tree(TIDEWATER / "plain.toml"))
    for text in ("clock", "slot.cpu.clock=", "clock=4 MHz"):
        with pytest.raises(InputError, match="--vary takes a setting"):
            axes.setting(text)


def sweep(*arguments: object) -> Result:
    return CliRunner().invoke(group, ["sweep", *map(str, arguments)])


def test_the_smallest_set_of_cards() -> None:
    result = sweep(FULL, "--smallest", "--until", "tw> ", "--limit", "0.2", "--json", "--jobs", 2)
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert found["smallest"] == ["sio"]
    assert [m["varied"]["cards"] for m in found["machines"]] == ["none", "ctc", "sio"]


def test_the_command_writes_its_tables(tmp_path: Path) -> None:
    out, page, kept = (tmp_path / name for name in ("a.csv", "a.html", "a.jsonl"))
    options = (FULL, "--each-card", "--until", "tw> ", "--limit", "0.2", "--csv", out, "--html",
               page, "--results", kept, "--jobs", 1)
    first = sweep(*options)
    assert first.exit_code == 1, first.output
    assert "2 of 3 machines boot" in first.output
    assert "without: boots for nothing, ctc; never boots for sio." in first.output
    assert len(out.read_text().splitlines()) == 4 and "</html>" in page.read_text()
    assert len(kept.read_text().splitlines()) == 4
    again = sweep(*options)
    assert again.output.splitlines()[:-1] == first.output.splitlines()[:-1]


def refusal(*arguments: object) -> str:
    result = sweep(*arguments)
    assert isinstance(result.exception, InputError), result.output
    return str(result.exception)


def test_refused(tmp_path: Path) -> None:
    assert refusal(FULL).startswith("nothing is varied; give --each-card")
    assert "--smallest tries the sets" in refusal(FULL, "--smallest", "--each-card")
    other = tmp_path / "other.txt"
    other.write_text("hello\n")
    assert "is no results file of a sweep" in refusal(FULL, "--seeds", 2, "--results", other)
    other.write_text('{"format": "preburn sweep results", "version": 9}\n')
    assert "holds results of version 9" in refusal(FULL, "--seeds", 2, "--results", other)
    assert refusal(FULL, "--clock", "fast").startswith(f"{FULL}: slot.cpu")
    assert "cannot be written" in refusal(FULL, "--seeds", 1, "--limit", "0.01", "--csv",
                                          tmp_path / "no" / "a.csv")


@pytest.mark.skipif(os.name != "posix", reason="signals to a group of processes")
def test_a_second_ctrl_c_ends_at_once(tmp_path: Path) -> None:
    """The first one would wait for machines that take hours."""
    kept, told = tmp_path / "results.jsonl", tmp_path / "told.txt"
    with told.open("wb") as errors:
        sweep = subprocess.Popen(
            [sys.executable, "-m", "emu.cli", "sweep", str(FULL), "--seeds", "3", "--until",
             "never", "--limit", "1000000", "--results", str(kept)],
            cwd=Path(__file__).parent.parent, stderr=errors, start_new_session=True)
    while sweep.poll() is None and b"broken off" not in told.read_bytes():
        if kept.exists():  # while workers start it is not heard
            os.killpg(sweep.pid, signal.SIGINT)
        time.sleep(0.3)
    assert sweep.wait() == 130
    text = told.read_text()
    assert "finishing the machines under way; Ctrl-C again ends at once." in text
    assert "broken off: 0 of 3 machines are done and kept in" in text and "Traceback" not in text
