"""Holding runs against records: differences, where they begin, and what is refused."""
from __future__ import annotations

import json
import xml.etree.ElementTree as Xml
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from knowngood_bench import FULL, ROMS, TIDEWATER, patched, place_of

from emu.backplane.description import load
from emu.bus.state import CONFLICT, CPU_DRIVES, LOG, READ
from emu.cli import group
from emu.errors import InputError
from emu.knowngood import hold, junit
from emu.knowngood.hold import Aspect, Tolerance, tolerance
from emu.knowngood.parting import first_difference
from emu.logs.cycles import CYCLE
from emu.machine.machine import Machine


def run(*arguments: object) -> Result:
    return CliRunner().invoke(group, [*map(str, arguments)])


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record of the full machine's boot up to the prompt."""
    path = tmp_path_factory.mktemp("good") / "boot.json"
    result = run("record", FULL, "-o", path, "--until", "tw> ", "--milestone", "shell_main")
    assert result.exit_code == 0, result.output
    return path


def first_read(t_end: int, physical: int, byte: int) -> tuple[int, int]:
    """Find by hand the first read of a byte of flash: T-state and address.

    The page registers 50h-57h choose the 8 KiB pages of roms/tidewater/full.toml.
    """
    machine = Machine(load(FULL))
    machine.log(True)
    pages, on, taken = [0] * 8, 0, 0
    while True:
        machine.m.log_limit = int(machine.m.log_pos) + LOG // 2
        machine.run(t_end)
        log = np.asarray(machine.m.log).reshape(LOG, 2)
        for n in range(taken, int(machine.m.log_pos)):
            t, word = (int(x) for x in log[n & (LOG - 1)])
            address, data, kind = word & 0xFFFF, word >> 16 & 0xFF, word >> 24 & 15
            if kind == 5 and 0x50 <= address & 0xFF <= 0x57:
                pages[address & 7] = data
            elif kind == 5 and address & 0xFF == 0x58:
                on = data & 1
            elif kind == READ:
                page = pages[address >> 13] if on else 0
                if page * 8192 + (address & 0x1FFF) == physical and data == byte:
                    return t, address
        taken = int(machine.m.log_pos)


def test_a_changed_byte_is_found_at_its_first_bus_cycle(good: Path, tmp_path: Path) -> None:
    new = patched(tmp_path, b"Tidewater 1.5, harbour", b"Tidewater 1.7, harbour")
    place = place_of(b"Tidewater 1.5, harbour") + len("Tidewater 1.")
    t, address = first_read(300_000, place, ord("5"))
    result = run("verify", new, good, "--good", FULL, "--json")
    assert result.exit_code == 1, result.output
    found = json.loads(result.stdout)
    difference = found["first_difference"]
    assert difference["t"] == t
    assert difference["good"]["cycle"] == f"read {address:04X}h = 35h by memory at T {t}"
    assert difference["here"]["cycle"] == f"read {address:04X}h = 37h by memory at T {t}"
    assert "con_puts" in difference["good"]["place"] == difference["here"]["place"]
    assert any("ld a,(hl)" in line for line in difference["here"]["trace"])
    assert found["aspects"]["console"][0].startswith("sio.a: the texts part in line 2, column 13:")
    assert found["verdict"]["verdict"] == "reached"
    assert any("another image: tidewater.elf" in note for note in found["notes"])


def test_a_changed_instruction_and_an_image_as_the_good_side(good: Path, tmp_path: Path) -> None:
    """The tick's divisor: the CTC is programmed otherwise, long before the prompt."""
    data = (TIDEWATER / "tidewater.elf").read_bytes()
    code = bytes.fromhex("3ea7d328")  # ld a, 0a7h; out (28h), a
    assert data.count(code) == 1
    new = patched(tmp_path, code, bytes.fromhex("3ea5d328"))
    result = run("verify", new, good, "--good", TIDEWATER / "tidewater.elf")
    assert result.exit_code == 1
    lines = result.output.splitlines()
    at = next(k for k, line in enumerate(lines) if line.startswith("first difference: T-state "))
    assert lines[at + 1].startswith("  good: read ") and "= A7h by memory" in lines[at + 1]
    assert "timer_init" in lines[at + 1] and "timer.s:" in lines[at + 1]
    assert any(line.startswith("  here: read ") and "= A5h by memory" in line for line in lines)


def test_without_the_good_image_the_interval_is_named(good: Path, tmp_path: Path) -> None:
    new = patched(tmp_path, b"Tidewater 1.5, harbour", b"Tidewater 1.7, harbour")
    t, _ = first_read(300_000, place_of(b"Tidewater 1.5, harbour") + 12, ord("5"))
    found = json.loads(run("verify", new, good, "--json").stdout)
    interval = found["interval"]
    rows = {cycles: end for cycles, end, _ in json.loads(good.read_text())["bus"]["checkpoints"]}
    assert interval["same_t"] < t <= rows[interval["other_cycles"]]
    assert interval["other_cycles"] - interval["same_cycles"] == min(rows)
    assert {"con_puts", "con_putc"} & set(interval["here"]["functions"])
    text = run("verify", new, good).output
    assert "first difference: between bus cycle " in text and "--good FILE shows it" in text


def test_only_what_is_asked_counts(good: Path, tmp_path: Path) -> None:
    """A slower memory: other times, the same console."""
    slow = tmp_path / "slow.toml"
    slow.write_text(f'extends = "{FULL}"\n[slot.memory]\nwaits-m1 = 1\n')
    assert run("verify", slow, good, "--same-console").exit_code == 0
    strict = run("verify", slow, good)
    assert strict.exit_code == 1 and "the same text at other times" in strict.output
    assert "another machine: slots memory waits-m1: none recorded, 1 now" in strict.output
    moved = hold.values("slots ctc", {"ports": "28/FF:0 29/FF:1"}, {"ports": "2C/FF:0 2D/FF:1"})
    assert moved == ["slots ctc ports: 28h 29h recorded, 2Ch 2Dh now"]
    swapped = hold.values("", {"ports": "28/FF:0 29/FF:1"}, {"ports": "28/FF:1 29/FF:0"})
    assert swapped == ["ports: 28/FF:0 29/FF:1 recorded, 28/FF:1 29/FF:0 now"]
    near = run("verify", slow, good, "--same-milestones", "--tolerance", "1us")
    assert near.exit_code == 1 and "shell_main: recorded at 0.02" in near.output
    assert run("verify", slow, good, "--same-milestones", "--tolerance", "30%").exit_code == 0


def test_junit_has_a_case_for_each_aspect(good: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.xml"
    new = patched(tmp_path, b"Tidewater 1.5, harbour", b"Tidewater 1.7, harbour")
    assert run("verify", new, good, "--junit", out).exit_code == 1
    suite = Xml.parse(out).getroot()[0]
    failed = {case.get("name") for case in suite if case.find("failure") is not None}
    assert suite.get("tests") == "7" and suite.get("failures") == str(len(failed))
    assert failed == {"console", "ports", "memory", "bus"}
    assert run("verify", FULL, good, "--junit", out).exit_code == 0
    assert Xml.parse(out).getroot()[0].get("failures") == "0"
    notes = tmp_path / "notes.txt"
    notes.write_text("my notes")
    refused = run("verify", FULL, good, "--junit", notes)
    assert "is there already and is no JUnit file; name another" in str(refused.exception)
    assert notes.read_text() == "my notes"
    refused = run("verify", FULL, good, "--junit", tmp_path / "no" / "out.xml")
    assert isinstance(refused.exception, InputError)


def test_xml_takes_what_a_terminal_shows() -> None:
    tree = junit.suite("a", [Aspect("console", ["\x1b[2J and \x00"])], "\x07")
    text = Xml.tostring(tree.getroot(), encoding="unicode")
    assert "\\x1b[2J and \\x00" in text
    assert Xml.fromstring(text)[0][0].get("name") == "console"


def refusal(*arguments: object) -> str:
    result = run("verify", *arguments)
    assert isinstance(result.exception, InputError), result.output
    return str(result.exception)


def test_refused(good: Path, tmp_path: Path) -> None:
    halt = ROMS / "broken" / "waits" / "masked-halt.toml"
    assert refusal(halt, good) == (
        f"{good}: is a record of tidewater on 'Tidewater: every card', not of masked-halt on "
        f"'Zoo: masked-halt'; name its own record, or go on with --other-image.")
    assert run("verify", halt, good, "--other-image", "--same-console").exit_code == 1
    new = patched(tmp_path, b"Tidewater 1.5, harbour", b"Tidewater 1.7, harbour")
    assert "is not the one that" in refusal(FULL, good, "--good", new)
    assert "--strict compares everything" in refusal(FULL, good, "--strict", "--same-console")
    assert refusal(FULL, good, "--tolerance", "much") == (
        "--tolerance takes a part or a time such as 5% or 20ms, not 'much'.")
    assert "no such file" in refusal(FULL, tmp_path / "none.json")
    bare = tmp_path / "bare.toml"
    bare.write_text(f'extends = "{FULL}"\n[slot.memory]\nimage = "{TIDEWATER}/tidewater.bin"\n')
    assert refusal(bare, good).startswith(
        f"{good}: the record cannot be run on {bare}: milestone shell_main: ")


def test_a_bad_boot_is_not_recorded(tmp_path: Path) -> None:
    out = tmp_path / "bad.json"
    mixed = TIDEWATER / "mixed-modes.toml"
    result = run("record", mixed, "-o", out, "--until", "tw> ", "--limit", "1")
    assert result.exit_code == 1 and not out.exists()
    assert "not written, since this boot did not end well" in result.output
    result = run("record", mixed, "-o", out, "--until", "tw> ", "--limit", "1", "--anyway")
    assert result.exit_code == 0 and json.loads(out.read_text())["end"]["verdict"] == "hung"
    assert run("verify", mixed, out).exit_code == 0


def test_tolerances() -> None:
    hz = Fraction(1000)
    assert tolerance("5 %").allows(1000, 1050, hz) and not tolerance("5%").allows(1000, 1051, hz)
    assert tolerance("20ms").allows(0, 20, hz) and not tolerance("20ms").allows(0, 21, hz)
    assert not Tolerance().allows(5, 6, hz)
    assert hold.parting("abc", "abd") == 2 and hold.parting("ab", "abc") == 2
    assert hold.parting("ab", "ab") is None


def cycles(*rows: tuple[int, ...]) -> np.ndarray:
    return np.array(list(rows), CYCLE)


def test_the_driver_is_not_on_the_bus() -> None:
    a = cycles((0, 1, 2, 3, READ, 0, CPU_DRIVES), (3, 1, 2, 3, READ, 0, 1))
    b = cycles((0, 1, 2, 3, READ, 0, CONFLICT), (3, 1, 2, 3, READ, 0, 2))
    assert first_difference(iter([a]), iter([b[:1], b[1:]])) is None
    found = first_difference(iter([a]), iter([b[:1]]))
    assert found is not None and found[0] == 1 and len(found[1]) == 1 and len(found[2]) == 0
    b["data"][1] = 4
    found = first_difference(iter([a[:1], a[1:]]), iter([b]))
    assert found is not None and found[0] == 1 and found[2]["data"][0] == 4
