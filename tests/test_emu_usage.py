"""What a run used: time by function, and which code ran, against counts made by other means."""
from __future__ import annotations

import json
import re
from collections import Counter
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from emu.backplane.description import load
from emu.bus.state import FETCH
from emu.cli import group
from emu.errors import InputError
from emu.logs.run_cycles import cycles
from emu.machine.address_names import Names
from emu.machine.machine import Machine
from emu.run.script import sends_of
from emu.run.session import Session
from emu.testing.rig import Rig
from emu.usage import lcov
from emu.usage.coverage import Count, Coverage, coverage, sources, table, totals
from emu.usage.profile import Node, functions, profile, speedscope
from emu.usage.used import UsedMachine, used_again

ROMS = Path(__file__).parent.parent / "roms"
FLAT = ROMS / "selftest" / "flat.toml"


def flat(folder: Path, code: str, end: int = 20_000) -> UsedMachine:
    """Run machine code at 0100h on a flat machine, counted."""
    (folder / "code.bin").write_bytes(bytes.fromhex(code))
    (folder / "code.toml").write_text(
        f'extends = "{FLAT}"\n[slot.memory]\nram-load.program = "code.bin@0x100"\n')
    machine = UsedMachine(load(folder / "code.toml"))
    while int(machine.m.t) < end:
        machine.run(end)
    return machine


def by_name(trees: list[Node]) -> dict[str, tuple[int, int, int]]:
    return {f.name: (f.own, f.whole, f.calls) for f in functions(trees)}


def test_time_by_function_is_what_the_manual_says(tmp_path: Path) -> None:
    """T-states of UM0080: LD B,n 7; CALL 17; NOP 4; RET 10; DJNZ 13, or 8 at the end.

    0100: ld b,3 / 0102: call 0110 / 0105: djnz 0102 / 0107: di / halt
    0110: nop / call 0118 / ret / 0118: nop / nop / ret
    """
    machine = flat(tmp_path, "0603 CD1001 10FB F376 00000000000000" + "00 CD1801 C9 000000 0000 C9")
    found = profile(machine)
    rows = by_name(found.program)
    inner, outer = 3 * (4 + 4 + 10), 3 * (4 + 17 + 10)
    assert rows["0118h"] == (inner, inner, 3)
    assert rows["0110h"] == (outer, outer + inner, 3)
    assert found.idle > 10_000
    whole = sum(tree.whole for tree in (*found.program, *found.interrupts))
    assert whole == found.t_states == int(machine.m.t)


def test_a_function_that_calls_itself_counts_once(tmp_path: Path) -> None:
    """0100: ld b,3 / call 0108 / di / halt; 0108: dec b / ret z / call 0108 / ret."""
    machine = flat(tmp_path, "0603 CD0801 F376 00 05 C8 CD0801 C9")
    own, whole, calls = by_name(profile(machine).program)["0108h"]
    assert calls == 3
    assert own == whole == 3 * 4 + (11 + 5 + 5) + 2 * 17 + 2 * 10  # RET Z: 11 taken, else 5


def test_looking_at_the_return_address_is_no_return(tmp_path: Path) -> None:
    """0100: call 0108 / di / halt; 0108: pop hl / push hl / nop / ret, as C compilers do."""
    machine = flat(tmp_path, "CD0801 F376 000000 E1 E5 00 C9")
    assert by_name(profile(machine).program)["0108h"] == (10 + 11 + 4 + 10, 35, 1)


def test_branches_are_counted_both_ways(tmp_path: Path) -> None:
    machine = flat(tmp_path, "0603 CD0901 10FB F376 C9")
    place = int(machine.m.read_base_true[0]) + 0x105
    assert (int(machine.usage.ran[place]), int(machine.usage.taken[place])) == (3, 2)


@pytest.fixture(scope="module")
def slept() -> tuple[Session, UsedMachine]:
    """Tidewater typed at, on a plain machine; and the same run, counted."""
    session = Session(Machine(load(ROMS / "tidewater" / "full.toml")), None, Fraction(1),
                      sends_of((r"sleep 1\r",), (None,), Fraction(1, 5)))
    session.run()
    return session, used_again(session)


def test_counting_changes_nothing(slept: tuple[Session, UsedMachine]) -> None:
    session, machine = slept
    ours, theirs = session.machine.snapshot(), machine.snapshot()
    assert ours.t == theirs.t
    assert int(machine.m.instructions) == int(session.machine.m.instructions)
    assert (ours.memory == theirs.memory).all()


def test_the_same_instructions_ran_as_the_bus_log_shows(
        slept: tuple[Session, UsedMachine]) -> None:
    """Fetches from the ROM of an unbanked stretch, counted from the bus log of another run."""
    session, machine = slept
    fetched: Counter[int] = Counter()
    for piece in cycles(session.so_far(), 0):
        chosen = piece[(piece["kind"] == FETCH) & (piece["address"] < 0x2000)]
        fetched.update(chosen["address"].tolist())
    base = int(machine.m.read_base_true[0])
    ran = np.asarray(machine.usage.ran)[base:base + 0x2000]
    ours = {a: int(ran[a]) for a in np.flatnonzero(ran).tolist()}
    assert ours.items() <= dict(fetched).items()  # the others are second bytes of opcodes
    prefixes = (0xCB, 0xDD, 0xED, 0xFD)
    memory = np.asarray(machine.m.phys)[base:base + 0x2000]
    assert all(memory[a - 1] in prefixes for a in fetched.keys() - ours.keys())


def test_interrupts_and_idling_are_told_apart(slept: tuple[Session, UsedMachine]) -> None:
    _, machine = slept
    found = profile(machine)
    assert sum(t.whole for t in (*found.program, *found.interrupts)) == found.t_states
    interrupts, program = by_name(found.interrupts), by_name(found.program)
    ctc, sio = machine.slot("ctc").number, machine.slot("sio").number
    assert interrupts["tick_isr"][2] == int(machine.m.int_count[ctc])
    assert interrupts["sio_tx_isr"][2] + interrupts["sio_rx_isr"][2] == int(
        machine.m.int_count[sio])
    assert "tick_isr" not in program and "read_line" in program
    assert found.idle > found.t_states * 0.8
    assert found.off is not None and 100 < found.off.length < 10_000


def test_speedscope_holds_all_of_the_time(slept: tuple[Session, UsedMachine]) -> None:
    """Source: the viewer's published schema (sampled profiles), from memory."""
    _, machine = slept
    found = profile(machine)
    out = json.loads(json.dumps(speedscope(found, "tide")))
    frames = out["shared"]["frames"]
    total = 0.0
    for one in out["profiles"]:
        assert one["type"] == "sampled" and len(one["samples"]) == len(one["weights"])
        assert one["endValue"] == pytest.approx(sum(one["weights"]))
        assert all(0 <= k < len(frames) for path in one["samples"] for k in path)
        total += one["endValue"]
    assert total == pytest.approx(float(found.t_states / found.hz) * 1e9)
    assert {"name": "tick_isr", "file": "timer.s", "line": 36} in frames


def test_coverage_agrees_with_what_a_call_says_it_ran() -> None:
    """A call of the fixture lists its lines by another way: from a trace."""
    counted = Rig.boot(ROMS / "driver-example" / "machine.toml", ">", counted=True)
    before = {(f, c.line) for f, cs in coverage(counted.machine).files.items()
              for c in cs.values() if c.ran}
    counted.poke(0x9000, b"\xd2\x04\xd6")
    done = counted.call("take", 0x9000, returns="u8")
    after = {(f, c.line) for f, cs in coverage(counted.machine).files.items()
             for c in cs.values() if c.ran}
    lines = {(file, line) for file, seen in done.lines.items() for line in seen}
    assert lines <= after
    assert after - before <= lines
    named = coverage(counted.machine).files["driver.c"].values()
    assert "check_byte" in {count.function for count in named}


def test_totals_and_table(slept: tuple[Session, UsedMachine]) -> None:
    found = coverage(slept[1])
    rows = {row.name: row for row in totals(found)}
    every = rows.pop("all")
    assert every.lines == tuple(map(sum, zip(*(r.lines for r in rows.values()), strict=True)))
    assert 0 < every.lines[0] < every.lines[1]
    assert rows["fat.s"].lines[0] == 0  # no floppy stands in this machine
    assert re.search(r"^timer\.s +\d+ of \d+ +\d+ %", "\n".join(table(found)), re.MULTILINE)
    names = Names(slept[1])
    ran = {str(names.line(a)) for a in (0x0364,)}
    line = int(ran.pop().rpartition(":")[2])
    assert any(c.ran for c in found.files["timer.s"].values() if c.line == line)


def records(text: str) -> dict[str, dict[str, list[str]]]:
    """Read an LCOV file in another way: per source file, lists of values by record."""
    out: dict[str, dict[str, list[str]]] = {}
    for block in text.split("end_of_record\n")[:-1]:
        rows = dict[str, list[str]]()
        for line in block.splitlines():
            kind, _, rest = line.partition(":")
            rows.setdefault(kind, []).append(rest)
        out[rows["SF"][0]] = rows
    return out


def small(images: str, ran: int) -> Coverage:
    return Coverage(images, {"a.s": {(0, 0, 0x100): Count(3, "go", False, ran),
                                     (0, 0, 0x101): Count(4, "go", True, ran, min(ran, 1))}})


def test_lcov_adds_runs_of_the_same_images_up(tmp_path: Path) -> None:
    path = tmp_path / "c.info"
    lcov.write(path, [small("aa", 2)], {"a.s": tmp_path / "a.s"})
    lcov.write(path, [small("aa", 5)], {"a.s": tmp_path / "a.s"})
    rows = records(path.read_text())[str(tmp_path / "a.s")]
    assert rows["TN"] == ["preburn_aa"]
    assert rows["DA"] == ["3,7", "4,7"] and (rows["LF"], rows["LH"]) == (["2"], ["2"])
    assert rows["BRDA"] == ["4,0,0,2", "4,0,1,5"] and rows["BRH"] == ["2"]
    assert rows["FN"] == ["3,go"] and rows["FNDA"] == ["7,go"]
    lcov.write(path, [small("bb", 0)], {})  # another image: it starts anew
    rows = records(path.read_text())["a.s"]
    assert rows["DA"] == ["3,0", "4,0"] and rows["BRDA"] == ["4,0,0,-", "4,0,1,-"]


def test_files_that_are_no_coverage_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("mine\n")
    with pytest.raises(InputError, match="is there already and is no coverage file"):
        lcov.check(path)
    path.write_text("TN:preburn_aa\nSF:a.s\nDA:three,4\n")
    with pytest.raises(InputError, match="line 3 is none of a coverage file's"):
        lcov.write(path, [small("aa", 1)], {})


def test_sources_are_found_beside_the_image(slept: tuple[Session, UsedMachine]) -> None:
    assert sources(slept[1])["timer.s"] == ROMS / "tidewater" / "timer.s"


def test_the_commands(tmp_path: Path) -> None:
    out, flames = tmp_path / "c.info", tmp_path / "p.json"
    file = str(ROMS / "driver-example" / "machine.toml")
    done = CliRunner().invoke(group, ["boot", file, "--until", ">", "--coverage", str(out)])
    assert done.exit_code == 0, done.output
    assert re.search(r"^  driver\.c +\d+ of \d+", done.output, re.MULTILINE)
    assert out.read_text().startswith("TN:preburn_")
    done = CliRunner().invoke(group, ["time", file, "--until", ">", "--profile", str(flames)])
    assert done.exit_code == 0, done.output
    assert "idle in HALT" in done.output and re.search(r"  put_\w+ \(driver\.c:\d+\)", done.output)
    assert json.loads(flames.read_text())["exporter"] == "preburn"
    done = CliRunner().invoke(group, ["time", file, "--until", "no", "--limit", "0.01", "--json"])
    assert done.exit_code == 1 and "did not come" in done.output
    refused = CliRunner().invoke(group, ["time", file, "--profile", file])
    assert "is no profile of preburn" in str(refused.exception)
