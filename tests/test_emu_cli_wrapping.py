"""The verdict on a terminal: wrapped to its width, painted; in a pipe as it is."""
from __future__ import annotations

import io
import os
import pty
import re
import struct
import subprocess
import sys
from fcntl import ioctl
from pathlib import Path
from termios import TIOCSWINSZ

import pytest

from emu.cli.boot import took
from emu.cli.say import complain, say, say_json
from emu.cli.wrapping import show, wrapped
from emu.diagnosis.verdict import Verdict

ROOT = Path(__file__).parent.parent
COLOURS = re.compile(r"\x1b\[[0-9;]*m")


def on_a_terminal(columns: int, *arguments: object, **extra: str) -> str:
    """Run preburn on a terminal so many columns wide; what it shows."""
    ours, theirs = pty.openpty()
    ioctl(theirs, TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "NO_COLOR")}
    done = subprocess.Popen([sys.executable, "-m", "emu.cli", *map(str, arguments)], cwd=ROOT,
                            stdout=theirs, stderr=subprocess.PIPE, env={**environment, **extra})
    os.close(theirs)
    out = b""
    try:
        while piece := os.read(ours, 4096):
            out += piece
    except OSError:
        pass  # a terminal that nobody has open any more
    done.communicate(timeout=60)
    os.close(ours)
    return out.decode().replace("\r\n", "\n")


HANG = ("boot", "roms/tidewater/no-timer.toml", "--send", r"sleep 1\r")


def test_the_verdict_fits_the_terminal() -> None:
    text = on_a_terminal(40, *HANG)
    plain = COLOURS.sub("", text)
    lines = plain[plain.index("verdict: "):].splitlines()
    assert all(len(line) <= 40 for line in lines)
    assert lines[0].startswith("verdict: hung, cause no-tick:")
    assert "\x1b[31m\x1b[1mverdict:" in text
    assert lines[1].startswith("    ")  # a hanging indent
    words = " ".join(plain.split())
    assert "no card ever calls that handler. evidence: - The CPU idles" in words
    assert re.search(r"hung, no-tick \([0-9.]+ s emulated in [0-9.]+ s, explained in ", words)


def test_no_color_is_heeded() -> None:
    shown = on_a_terminal(80, "boot", "roms/tidewater/full.toml", "--until", "tw> ", NO_COLOR="1")
    assert "verdict: reached" in shown and "\x1b[" not in shown


def test_a_pipe_gets_whole_lines_without_colours() -> None:
    done = subprocess.run([sys.executable, "-m", "emu.cli", *HANG], cwd=ROOT, text=True,
                          capture_output=True, check=False, timeout=300)
    assert "\x1b" not in done.stdout
    assert re.search(r"^verdict: hung, cause no-tick: .* ever calls that handler\.$", done.stdout,
                     re.MULTILINE)
    lines = done.stdout[done.stdout.index("verdict: "):].splitlines()
    assert lines[-1].startswith("hung, no-tick (")
    for columns in (80, 200):  # as a terminal of that width shows them
        rows = [row for line in lines for row in wrapped(line, columns)]
        assert max(map(len, rows)) <= columns and len(rows) > len(lines)


def test_lines_are_broken_at_blanks_and_set_in() -> None:
    assert wrapped("  - one two three four five six", 20) == [
        "  - one two three", "    four five six"]
    assert wrapped("verdict: one two three four", 20) == ["verdict: one two", "    three four"]
    assert wrapped("short", 20) == ["short"]
    assert wrapped("it took him about 1.28 s to come", 22) == [
        "it took him about", "    1.28 s to come"]
    assert wrapped("wz 0000   af' 6C64*  bc 0021*  iff1 1*", 22) == [
        "wz 0000   af' 6C64*", "    bc 0021*  iff1 1*"]
    assert wrapped("wz 0000   af' 6C64*  bc 0021*  iff1 1*", 36) == [
        "wz 0000   af' 6C64*  bc 0021*", "    iff1 1*"]
    assert wrapped("a line for a terminal without room", 8) == [
        "a line for a terminal without room"]
    assert wrapped("see /a/path/that/is/longer/than/the/line now", 20) == [
        "see", "    /a/path/that/is/longer/than/the/line", "    now"]


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_mistake_is_one_line_wrapped_on_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    told = "machine.toml: slot.memory: rom.elf:\nno such file"
    for stream, shown in (
            (io.StringIO(), "preburn: machine.toml: slot.memory: rom.elf:\\nno such file\n"),
            (Terminal(), "preburn: machine.toml: slot.memory:\n    rom.elf:\\nno such file\n")):
        monkeypatch.setattr(sys, "stderr", stream)
        complain(told)
        assert stream.getvalue() == shown


def test_a_text_of_several_lines_is_wrapped_line_by_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "24")
    monkeypatch.setattr(sys, "stdout", Terminal())
    show(["one two three\n  four five six seven eight"])
    assert sys.stdout.getvalue() == (  # type: ignore[attr-defined]
        "one two three\n  four five six seven\n      eight\n")


def test_what_took_how_long_is_told_apart() -> None:
    reached = Verdict("reached", "it came.", emulated_seconds=0.02)
    assert took(reached, 0.004, 0.02, 0.03, 0) == "20 ms emulated in 0.00 s"
    assert took(reached, 0.1, 2, 9.3, 13.8) == (
        "20 ms emulated in 0.10 s, explained in 2.00 s, run once more in 9.30 s, compiled in "
        "13.8 s")


def test_what_is_for_people_is_wrapped_and_json_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "24")
    monkeypatch.setattr(sys, "stdout", Terminal())
    say("  go     boot: it came after 2.5 ms\x1b.")
    say_json(["one two three four five six"])
    assert sys.stdout.getvalue() == (  # type: ignore[attr-defined]
        "  go     boot: it came\n      after 2.5 ms\\x1b.\n"
        '[\n  "one two three four five six"\n]\n')
