"""The conformance runner: every field is told apart, bad input is one line, two ways of running.

The vectors are made here by the naive twin, in the form of the public single-step set; the
sample of that set itself is run where it lies beside the project.
"""
from __future__ import annotations

import copy
import gzip
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import naive_z80
import pytest
from conformance import FIELDS, Bench, hold
from conformance_vectors import read_file
from naive_z80_random import random_tests
from naive_z80_vectors import MISSING, VECTORS

ROOT = Path(__file__).parent.parent
TOOL = ROOT / "tools" / "conformance.py"
Test = dict[str, Any]


def made(table: str, count: int) -> list[Test]:
    """Make tests by the twin: random states, ``count`` opcodes of a table."""
    tests = []
    for number, (initial, inputs) in enumerate(random_tests(table, 1, seed=2)):
        if number % (256 // count) == 0:
            run = naive_z80.run_one(initial, inputs)
            tests.append({"name": f"{table} {number:04X}", "initial": initial,
                          "final": run["final"], "cycles": run["cycles"], "ports": run["ports"]})
    return tests


def run(*arguments: object, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, TOOL, *map(str, arguments)], text=True, cwd=ROOT,
                          capture_output=True, check=False, env={**os.environ, **environment})


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder of one-file-an-opcode vectors that all agree."""
    for table in ("base", "CB", "ED", "DDCB"):
        (tmp_path / f"{table.lower()}.json").write_text(json.dumps(made(table, 16)))
    return tmp_path


# --- good input -------------------------------------------------------------------------
@pytest.mark.parametrize("jobs", [1, 2])
def test_a_folder_that_agrees(folder: Path, jobs: int) -> None:
    done = run(folder, "--jobs", jobs)
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert lines[:4] == [f"{name:<12}     16 tests  agree" for name in ("base", "cb", "ddcb", "ed")]
    assert lines[5].startswith("4 opcode files, 64 tests in ")
    assert [line.split() for line in lines[6:14]] == [[*f.split(), "agree"] for f in FIELDS]
    assert lines[-1] == "every test agrees on every field"


def test_quiet_lists_no_file_that_agrees(folder: Path) -> None:
    assert run(folder, "--quiet").stdout.lstrip().startswith("4 opcode files")


def test_single_files_and_packed_files_count_alike(folder: Path) -> None:
    packed = folder / "some.json.gz"
    content = {"cb 00": made("CB", 4), "ed 00": made("ED", 2)}
    packed.write_bytes(gzip.compress(json.dumps(content).encode()))
    done = run(folder / "base.json", packed)
    assert done.returncode == 0, done.stderr
    assert [line[:24].split()[:-1] for line in done.stdout.splitlines()[:3]] == [
        ["base", "16"], ["cb", "00", "4"], ["ed", "00", "2"]]


@pytest.mark.skipif(not VECTORS.exists(), reason=MISSING)
def test_the_published_sample_agrees() -> None:
    done = run(VECTORS, "--quiet")
    assert done.returncode == 0, done.stdout
    assert "1604 opcode files, 8020 tests in " in done.stdout


# --- differences: each change of the expectation shows in its own field --------------------
def change_register(test: Test) -> None:
    test["final"]["de_"] ^= 0x100


def change_pc(test: Test) -> None:
    test["final"]["pc"] ^= 1


def change_sign(test: Test) -> None:
    test["final"]["f"] ^= 0x80


def change_spare_flags(test: Test) -> None:
    test["final"]["f"] ^= 0x20


def change_memptr(test: Test) -> None:
    test["final"]["wz"] ^= 1


def change_q(test: Test) -> None:
    test["final"]["q"] ^= 8


def change_memory(test: Test) -> None:
    test["final"]["ram"][0][1] ^= 1


def miss_a_write(test: Test) -> None:
    """Let the test know nothing of an address that the instruction writes."""
    test["initial"]["ram"] = [pair for pair in test["initial"]["ram"]
                              if pair[0] != written(test)]
    test["final"]["ram"] = [pair for pair in test["final"]["ram"] if pair[0] != written(test)]


def written(test: Test) -> int:
    return next(address for address, _, pins in test["cycles"] if pins == "-wm-")


def change_port(test: Test) -> None:
    test["ports"][0][0] ^= 0x100


def forget_port(test: Test) -> None:
    del test["ports"]


def add_a_tstate(test: Test) -> None:
    test["cycles"].append([*test["cycles"][-1][:1], None, "----"])


def change_address(test: Test) -> None:
    test["cycles"][2][0] ^= 1


def change_data(test: Test) -> None:
    test["cycles"][2][1] ^= 1


def drop_data(test: Test) -> None:
    test["cycles"][2][1] = None


def change_pins(test: Test) -> None:
    test["cycles"][0][2] = "r-m-"


CHANGES: list[tuple[Callable[[Test], None], str, set[str]]] = [
    (change_register, "D3", {"registers"}), (change_pc, "D3", {"registers"}),
    (change_sign, "D3", {"registers"}), (change_spare_flags, "D3", {"flags 3 and 5"}),
    (change_memptr, "D3", {"MEMPTR"}), (change_q, "D3", {"Q"}), (change_memory, "D3", {"memory"}),
    (miss_a_write, "32", {"memory"}),
    (change_port, "D3", {"ports"}), (forget_port, "D3", {"ports"}),
    (add_a_tstate, "D3", {"T-states", "bus"}), (change_address, "D3", {"bus"}),
    (change_data, "D3", {"bus"}), (drop_data, "D3", {"bus"}), (change_pins, "D3", {"bus"})]


@pytest.mark.parametrize(("change", "opcode", "fields"), CHANGES,
                         ids=[change.__name__ for change, _, _ in CHANGES])
def test_a_change_shows_in_its_field_only(change: Callable[[Test], None], opcode: str,
                                          fields: set[str], tmp_path: Path) -> None:
    good = next(t for t in made("base", 256) if t["name"] == f"base 00{opcode}")
    bad = copy.deepcopy(good)
    change(bad)
    path = tmp_path / "one.json"
    path.write_text(json.dumps([good, bad, good]))
    outcome = hold(Bench(), next(read_file(path)), first=5)
    assert outcome.differing == 1
    assert {name for name, count in outcome.fields.items() if count} == fields
    assert len(outcome.details) == 1
    assert outcome.details[0].startswith("one: test 1 (base 00")


def test_differences_are_told_a_file_a_field_and_a_tstate(tmp_path: Path) -> None:
    good = next(t for t in made("base", 256) if t["name"] == "base 00D3")
    bad = copy.deepcopy(good)
    bad["final"]["a"] ^= 0xFF
    bad["cycles"][9] = [0x1234, 0x56, "-wm-"]
    (tmp_path / "d3.json").write_text(json.dumps([good, bad, bad, bad]))
    (tmp_path / "00.json").write_text(json.dumps(made("base", 1)))
    done = run(tmp_path, "--first", "2")
    assert done.returncode == 1
    lines = done.stdout.splitlines()
    assert lines[:2] == ["00                1 tests  agree",
                         "d3                4 tests  3 differ: registers 3, bus 3"]
    assert [line for line in lines if line.startswith("d3: test")] == [
        "d3: test 1 (base 00D3): registers, bus", "d3: test 2 (base 00D3): registers, bus"]
    got = good["final"]["a"]
    assert f"    a: got {got:02X}, expected {got ^ 0xFF:02X}" in lines
    table = lines[lines.index("    T-state  got              expected"):]
    assert table[1].split()[0] == "9"
    assert not table[1].endswith("<")
    assert table[2].split()[0] == "10"
    assert table[2].endswith("1234 56 -wm-     <")
    assert lines[-1] == "3 tests differ"


def test_first_0_shows_no_test(tmp_path: Path) -> None:
    bad = made("base", 1)
    bad[0]["final"]["pc"] ^= 1
    (tmp_path / "00.json").write_text(json.dumps(bad))
    done = run(tmp_path, "--first", "0")
    assert done.returncode == 1
    assert "test 0" not in done.stdout


# --- bad input --------------------------------------------------------------------------
def refused(path: Path, *words: str) -> None:
    """See that the tool says one line with these words, and ends with status 2."""
    done = run(path)
    assert done.returncode == 2, done.stdout + done.stderr
    assert done.stderr.startswith("conformance: ")
    assert done.stderr.count("\n") == 1
    for word in words:
        assert word in done.stderr
    assert done.stdout == ""


def test_a_missing_path_and_an_empty_folder(tmp_path: Path) -> None:
    refused(tmp_path / "none.json", "none.json: there is no such file or folder; check the path.")
    refused(tmp_path, f"{tmp_path}: no *.json or *.json.gz in this folder")


@pytest.mark.parametrize(("content", "words"), [
    (b"", ":1:1: not JSON"), (b"[{\n}", ":2:2: not JSON"), (b'["\xff"]', "byte 2 is not UTF-8"),
    (b"17", "neither a list of tests nor an object"), (b"[]", "no list of tests"),
    (b"{}", "there is no test in it"), (b'{"00": []}', "opcode '00': there is no list of tests"),
    (b"[17]", "test 0 (?): it is no object"),
    (b"[" * 100_000, "nested too deep"), (b"\x1f\x8b\x08\x00", "the gzip packing is broken")])
def test_a_broken_file(content: bytes, words: str, tmp_path: Path) -> None:
    path = tmp_path / "broken.json"
    path.write_bytes(content)
    refused(path, "broken.json", words)


SHAPES: list[tuple[str, Callable[[Test], Any], str]] = [
    ("no initial", lambda t: t.pop("initial"), "'initial' is missing or no object"),
    ("no wz", lambda t: t["final"].pop("wz"), "final: register 'wz' must be a whole number"),
    ("large", lambda t: t["initial"].update(pc=65536), "'pc' must be a whole number from 0 to 65"),
    ("negative", lambda t: t["initial"].update(a=-1), "'a' must be a whole number from 0 to 255"),
    ("text", lambda t: t["initial"].update(a="12"), "'a' must be a whole number from 0 to 255"),
    ("fraction", lambda t: t["initial"].update(a=1.5), "'a' must be a whole number from 0 to 255"),
    ("far byte", lambda t: t["initial"]["ram"].append([70000, 1]), "'ram' item"),
    ("odd byte", lambda t: t["final"]["ram"].append([1]), "'ram' item"),
    ("much ram", lambda t: t["initial"].update(ram=[[k, 0] for k in range(40)]), "40 items"),
    ("no cycles", lambda t: t.update(cycles=[]), "'cycles' is empty"),
    ("pins", lambda t: t["cycles"][0].__setitem__(2, "rw"), "'cycles' item 0 is not of the form"),
    ("data", lambda t: t["cycles"][0].__setitem__(1, 256), "'cycles' item 0 is not of the form"),
    ("port", lambda t: t.update(ports=[[1, 2, "x"]]), "'ports' item 0 is not of the form")]


@pytest.mark.parametrize(("change", "words"), [row[1:] for row in SHAPES],
                         ids=[row[0] for row in SHAPES])
def test_a_wrong_shape(change: Callable[[Test], Any], words: str, tmp_path: Path) -> None:
    tests = made("base", 4)
    change(tests[2])
    path = tmp_path / "shape.json"
    path.write_text(json.dumps(tests))
    refused(path, "shape.json: test 2 (base 0080): ", words, "give the published")


def test_bad_input_in_one_of_two_processes(folder: Path) -> None:
    (folder / "zz.json").write_text("[")
    done = run(folder, "--jobs", "2")
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "zz.json:1:2: not JSON" in done.stderr


# --- without compiling ------------------------------------------------------------------
ANSWERS = """
import json, core_bench
from naive_z80_cases import TABLES, load_cases
from naive_z80_random import random_chains
tests = [(c.initial(), c.inputs) for table in TABLES for c in load_cases(table)[::7]]
tests += list(random_chains(40, seed=3))
print(json.dumps(core_bench.run_many(tests)))
"""


def test_plain_python_gives_the_same_results_on_a_sample_of_vectors() -> None:
    """State, memory, ports and the bus of each T-state; prefix chains among them."""
    outs = [subprocess.run([sys.executable, "-c", ANSWERS], cwd=ROOT, text=True, check=True,
                           capture_output=True,
                           env={**os.environ, "NUMBA_DISABLE_JIT": flag,
                                "PYTHONPATH": f"{ROOT}:{ROOT / 'tests'}"}).stdout
            for flag in ("0", "1")]
    assert len(json.loads(outs[0])) > 250
    assert outs[0] == outs[1]


def test_plain_python_answers_interrupts_alike() -> None:
    """The published interrupt tests, once more, without machine code."""
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider",
         "tests/test_published_cpu_interrupts.py", "tests/test_emu_cpu_waits.py"], cwd=ROOT,
        text=True, capture_output=True, check=False,
        env={**os.environ, "NUMBA_DISABLE_JIT": "1", "PYTHONPATH": str(ROOT)})
    assert done.returncode == 0, done.stdout
    assert " passed" in done.stdout.splitlines()[-1]


@pytest.mark.skipif(not VECTORS.exists(), reason=MISSING)
def test_plain_python_agrees_with_the_published_sample(tmp_path: Path) -> None:
    with gzip.open(VECTORS, "rt") as file:
        sample = {name: tests[:1] for name, tests in list(json.load(file).items())[::8]}
    path = tmp_path / "sample.json"
    path.write_text(json.dumps(sample))
    done = run(path, "--quiet", NUMBA_DISABLE_JIT="1")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "201 opcode files, 201 tests" in done.stdout
