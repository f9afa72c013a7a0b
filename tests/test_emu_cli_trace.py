"""``preburn trace`` on the Tidewater machines, as a user runs it."""
from __future__ import annotations

import gzip
import json
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from emu.backplane.description import load
from emu.cli import group
from emu.errors import InputError
from emu.logs.traced import TracedMachine
from emu.logs.window import Window
from emu.machine.machine import Machine
from emu.run.script import Step
from emu.run.session import Session

ROMS = Path(__file__).parent.parent / "roms"
FULL = ROMS / "tidewater/full.toml"
HALT = ROMS / "broken/waits/masked-halt.toml"


def run(*arguments: object) -> Result:
    return CliRunner().invoke(group, ["trace", *map(str, arguments)])


def lines(result: Result) -> list[str]:
    assert result.exit_code == 0, result.output
    return [line for line in result.stdout.splitlines() if not line.startswith("#")]


def test_text_goes_to_standard_output() -> None:
    found = lines(run(FULL, "--to", "100t"))
    assert found[0].split()[4:9] == ["F3", "di", "memory", "reset", "restarts.s:11"]
    assert found[1].split()[:2] == ["4", "0.000000651"]  # 4 / 6.144 MHz
    assert all(int(line.split()[0]) < 100 for line in found)


def test_from_a_symbol_to_a_text() -> None:
    """The prompt's last character ends in the last line shown."""
    result = run(FULL, "--from", "sched_idle", "--to", r"text:\r\ntw> ", "--limit", "3")
    found = lines(result)
    assert "sched_idle " in found[0] and result.stderr == ""
    session = Session(Machine(load(FULL)), "tw> ", Fraction(3))
    session.run()
    last = found[-1].split()
    assert int(last[0]) <= session.reached_t < int(last[0]) + int(last[2])


def test_only_one_card_in_json_lines() -> None:
    result = run(FULL, "--json", "--cycles", "--only", "ctc", "--to", "text:tw> ")
    rows = [json.loads(line) for line in lines(result)]
    assert rows and {row["kind"] for row in rows} <= {"out", "in", "acknowledge"}
    for row in rows:
        assert row["driver"] == "ctc" or 0x28 <= int(row["address"], 16) & 0xFF <= 0x2B


def test_the_last_lines_before_a_halt() -> None:
    found = lines(run(HALT, "--last", "3", "--limit", "0.01"))
    assert [line.split()[5] for line in found[:2]] == ["di", "halt"]
    assert "halted, " in found[2] and len(found) == 3
    start, _, length = found[2].split()[:3]
    assert int(start) + int(length) == pytest.approx(40_000, abs=4)


def test_files_side_by_side(tmp_path: Path) -> None:
    names = [tmp_path / name for name in ("a.txt", "b.jsonl", "c.vcd")]
    result = run(FULL, "--text", names[0], "--jsonl", names[1], "--vcd", names[2],
                 "--from", "10ms", "--to", "10.02ms")
    assert result.exit_code == 0 and result.stdout == ""
    text, rows, dump = (name.read_text() for name in names)
    assert len(text.splitlines()) - 2 == len(rows.splitlines()) > 5
    assert "$timescale 1 ps $end" in dump and "$var wire 16" in dump
    first = json.loads(rows.splitlines()[0])
    assert first["t"] <= 61_440 < first["t"] + first["length"]
    stamps = [int(line[1:]) for line in dump.splitlines() if line.startswith("#")]
    assert stamps == sorted(stamps) and 9.9e9 < stamps[1] < stamps[-1] < 10.03e9


def test_a_compressed_trace_holds_the_same_bytes(tmp_path: Path) -> None:
    plain, packed = tmp_path / "a.vcd", tmp_path / "a.vcd.gz"
    for name in (plain, packed, packed):  # an old trace may be replaced, compressed or not
        assert run(FULL, "--vcd", name, "--to", "20us").exit_code == 0
    assert gzip.decompress(packed.read_bytes()) == plain.read_bytes()
    other = gzip.compress(b"letters")
    packed.write_bytes(other)
    assert "is no trace" in run(FULL, "--vcd", packed, "--to", "20us").output + str(
        run(FULL, "--vcd", packed, "--to", "20us").exception)
    assert packed.read_bytes() == other


def test_a_dump_for_decoders(tmp_path: Path) -> None:
    out = tmp_path / "c.vcd"
    result = run(FULL, "--vcd", out, "--vcd-timescale", "tick", "--vcd-lines", "scalars",
                 "--to", "50t")
    assert result.exit_code == 0
    dump = out.read_text()
    assert "$timescale 1 us $end" in dump and "wire 16" not in dump and "string" not in dump
    assert dump.splitlines()[-1] == "#107"  # the last record ends at 53


def session_on(machine: Machine) -> Session:
    steps = [Step("expect", b"tw> ", Fraction(2)), Step("send", b"help\r")]
    session = Session(machine, "tw> ", Fraction(2), steps)
    session.run()
    return session


def test_tracing_changes_nothing() -> None:
    """Property: the console, the inputs and the CPU are the same to the T-state."""
    plain, traced = session_on(Machine(load(FULL))), TracedMachine(load(FULL))
    counted: list[int] = []
    traced.trace(Window(None, None), [], lambda chunk: counted.append(len(chunk)))
    session = session_on(traced)
    traced.finish()
    assert plain.reached and session.reached_t == plain.reached_t
    assert session.inputs == plain.inputs
    assert session.console.channels["sio.a"].times == plain.console.channels["sio.a"].times
    for name in ("t", "pc", "sp", "instructions", "refresh"):
        assert int(traced.m[name]) == int(plain.machine.m[name]), name
    assert sum(counted) > 20_000


def test_what_never_happens_is_said() -> None:
    result = run(HALT, "--from", "nmi", "--limit", "0.01")
    assert result.exit_code == 1
    assert result.stderr.startswith("preburn: --from nmi did not happen in 10.0")
    result = run(HALT, "--to", "nmi", "--limit", "0.01", "--only", "write")
    assert result.exit_code == 0 and "--to nmi did not happen" in result.stderr


@pytest.mark.parametrize(("arguments", "message"), [
    (["--from", "2ms", "--to", "1ms"],
     "--to 1ms does not lie behind --from 2ms; give a later end."),
    (["--text", "-", "--json"], "only one of --text, --jsonl and --vcd can go to standard output; "
                                "name a file for the others."),
    (["--only", "sio", "--vcd", "x.vcd"],
     "--only concerns --text and --jsonl; a VCD is always whole. Cut it with --from and --to."),
    (["--vcd", "x.vcd", "--vcd-timescale", "3 ns"],
     '--vcd-timescale 3 ns: write "exact", "tick", or a unit such as "1 ns" or "10 ps".'),
    (["--vcd", "x.vcd", "--vcd-timescale", "1 us"],
     "--vcd-timescale 1 us: half a T-state is shorter than this unit; choose a smaller one."),
    (["--limit", "soon"], "--limit takes seconds such as 10 or 0.5, not 'soon'."),
    (["--text", "/no/such/folder/x"],
     "/no/such/folder/x: cannot be written: there is no folder /no/such/folder; make it, or "
     "name another."),
])
def test_mistakes(arguments: list[str], message: str, tmp_path: Path,
                  monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    error = run(FULL, *arguments).exception
    assert isinstance(error, InputError) and str(error) == message
    assert list(tmp_path.iterdir()) == []


def test_help_does_not_import_the_compiler() -> None:
    code = ("import sys; from emu.cli import main; sys.argv = ['preburn', 'trace', '--help']\n"
            "try: main()\nexcept SystemExit: pass\n"
            "print(sorted({'numba', 'numpy', 'vcd'} & set(sys.modules)))")
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.splitlines()[-1] == "[]"
    assert "text:tw>" in done.stdout
