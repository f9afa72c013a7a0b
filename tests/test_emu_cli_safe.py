"""What files and machines hold cannot command a terminal, a browser or a spreadsheet."""
from __future__ import annotations

import csv
import subprocess
import sys
from collections.abc import Callable
from io import StringIO
from pathlib import Path
from subprocess import CompletedProcess

import pytest
from conftest import ROOT

from emu.errors import LONGEST, one_line, printable
from emu.sweep import tables

Run = Callable[..., "CompletedProcess[str]"]
ESCAPE = "\x1b]0;owned\x07\x1b[2J"
MACHINE = """[slot.cpu]
card = "z80-cpu"
[slot.memory]
card = "plain-memory"
image = "rom.bin"
"""


def clean(text: str) -> bool:
    return all(c.isprintable() or c in "\n\t" for c in text)


def test_printable_writes_control_characters_as_escapes() -> None:
    """C0, DEL, C1 and the marks that turn the direction of writing; ECMA-48 has the first three."""
    assert printable("a\x1b[2Jb\x7f\x9b\u202e\n\té") == "a\\x1b[2Jb\\x7f\\x9b\\u202e\n\té"
    assert one_line("two\nlines\r\tend") == "two\\nlines\\r\\tend"


def test_a_long_message_is_cut_in_its_middle() -> None:
    line = one_line("begin " + "x" * 5000 + " end.")
    assert len(line) <= LONGEST
    assert line.startswith("begin x") and line.endswith("x end.") and " [...] " in line


@pytest.fixture
def cage(tmp_path: Path) -> Path:
    (tmp_path / "rom.bin").write_bytes(bytes.fromhex("18FE"))
    (tmp_path / "names.map").write_text(f"evil{ESCAPE} = 0x0000\n0000 also{ESCAPE}\n")
    (tmp_path / "m.toml").write_text(MACHINE)
    return tmp_path


def test_a_refusal_that_quotes_a_file_is_one_plain_line(preburn: Run, cage: Path) -> None:
    (cage / "bad.toml").write_text(MACHINE + 'rom-size = "\\u001b[2J\\nsecond line"\n')
    done = preburn("check", cage / "bad.toml")
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1 and clean(done.stderr)
    assert "\\x1b[2J\\nsecond line" in done.stderr.replace("\\\\", "\\")


def test_a_files_own_name_is_shown_plainly(preburn: Run, cage: Path) -> None:
    done = preburn("check", cage / f"no{ESCAPE}such.toml")
    assert done.returncode == 2
    assert clean(done.stderr) and "\\x1b]0;owned" in done.stderr


def test_names_of_symbols_are_shown_plainly(preburn: Run, cage: Path) -> None:
    (cage / "list.noi").write_text(f"DEF evil{ESCAPE} 0x0000\n")
    told = preburn("image", "disassemble", cage / "rom.bin", "--symbols", cage / "list.noi")
    assert told.returncode == 0, told.stderr
    assert clean(told.stdout) and "evil\\x1b]0;owned\\x07" in told.stdout
    words = cage / "words"
    words.write_text("look\nlook code\n")
    told = preburn("step", cage / "m.toml", "--symbols", cage / "list.noi", "--commands", words)
    assert told.returncode == 0, told.stderr
    assert clean(told.stdout) and "evil\\x1b" in told.stdout


def test_a_slot_has_no_name_that_commands_a_terminal(preburn: Run, cage: Path) -> None:
    (cage / "m.toml").write_text(MACHINE + '["slot"."a\\u001b[2J"]\ncard = "z80-ctc"\n')
    done = preburn("check", cage / "m.toml")
    assert done.returncode == 2 and clean(done.stderr)


@pytest.mark.parametrize("cell", ["=1+1", "+1", "-4 MHz", "@SUM(A1)", "\t=1", "\r=1"])
def test_no_cell_of_a_table_is_a_formula(cell: str) -> None:
    """OWASP, "CSV Injection": what begins so, and that an apostrophe in front makes it text."""
    row = {"varied": {cell: cell}, "boots": True, "verdict": "reached", "cause": None,
           "seconds": 0.5, "t_states": 1, "where": cell, "summary": cell}
    lines = list(csv.reader(StringIO(tables.as_csv([row]))))
    assert all(word[:1] not in "=+-@\t\r" for line in lines for word in line if word)
    plain = printable(cell, "")
    assert lines[1][0] == lines[1][6] == ("'" * (plain == cell) + plain)


def test_the_pages_are_free_of_script() -> None:
    script = "<script>alert(1)</script>"
    row = {"varied": {script: script}, "boots": True, "verdict": "reached", "cause": script,
           "seconds": 0.5, "t_states": 1, "where": script, "summary": script}
    assert "<script" not in tables.as_html(script, [row])


@pytest.mark.parametrize("closed", [">&-", "2>&-", "<&-", "<&- >&- 2>&-"])
def test_a_closed_stream_gets_nothing(cage: Path, closed: str) -> None:
    """POSIX gives the lowest free number to what is opened next: a file must not get 1."""
    (cage / "d.img").write_bytes(b"mine")
    done = subprocess.run(
        ["sh", "-c", f'exec "$0" -m emu.cli check "$1" {closed}', sys.executable,
         str(cage / "m.toml")], capture_output=True, cwd=ROOT, timeout=300, check=False)
    assert done.returncode in (0, 1), done.stderr
    assert b"Traceback" not in done.stderr


def test_a_machines_name_in_a_trace(preburn: Run, cage: Path) -> None:
    """IEEE 1364: a comment of a dump goes up to $end."""
    (cage / "m.toml").write_text('name = "a\\u001b[2J\\nb $end c"\n' + MACHINE)
    told = preburn("trace", cage / "m.toml", "--limit", "0.0001", "--vcd", cage / "out.vcd")
    assert told.returncode == 0, told.stderr
    head = (cage / "out.vcd").read_text().partition("$scope")[0]
    assert "a\\x1b[2J\\nb _end c" in head and clean(head)
    told = preburn("trace", cage / "m.toml", "--limit", "0.0001")
    assert clean(told.stdout) and told.stdout.startswith("# a\\x1b[2J\\nb $end c: ")
