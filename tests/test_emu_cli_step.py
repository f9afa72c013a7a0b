"""``preburn step``: scripted, and as a person at a terminal does it.

What Tidewater does is its own sources'; that going back is exact is tested with the engine.
"""
from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from subprocess import CompletedProcess

import pytest
from click.testing import CliRunner
from conftest import ROOT, worked

from emu.cli import group
from emu.native.cache import cache_folder

Run = Callable[..., CompletedProcess[str]]
RING = re.compile(rb"(\xfe\x40\x28.\x34\x21..\x7e\x3c\xe6)\x3f", re.DOTALL)


@pytest.fixture
def planted(tmp_path: Path, roms: Path) -> Path:
    """Make Tidewater with a bug in its console driver: the receive ring's index runs to 127.

    The ring has 64 bytes, so the 64th character lands on what stands behind it.
    """
    elf, count = RING.subn(lambda code: code[1] + b"\x7f",
                           (roms / "tidewater" / "tidewater.elf").read_bytes())
    assert count == 1, "con_received masks its index once"
    (tmp_path / "planted.elf").write_bytes(elf)
    for source in (roms / "tidewater").glob("*.s"):
        (tmp_path / source.name).write_bytes(source.read_bytes())
    file = tmp_path / "planted.toml"
    file.write_text(f'extends = "{roms / "tidewater" / "full.toml"}"\nname = "planted"\n\n'
                    f'[slot.memory]\nimage = "{tmp_path / "planted.elf"}"\n')
    return file


def words(path: Path, *lines: str) -> Path:
    """Write a file of words."""
    path.write_text("\n".join(lines) + "\n")
    return path


def test_a_planted_bug_is_found_by_going_back_from_the_wrong_byte(
        preburn: Run, planted: Path, tmp_path: Path) -> None:
    """From the crash to the wrong pointer, and from there to the instruction that wrote it."""
    script = words(
        tmp_path / "session",
        "# type a long line: the machine goes astray while it echoes",
        'until text "tw> "',
        f'press "{"x" * 70}"',
        "watch when pc >= 0x8000",
        "go 2 s",
        "tell word[con_kick]",
        "when con_kick",
        "back to found",
        "look stack 4",
        "tell [rx_head]",
        "look code con_received for 12")
    done = preburn("step", planted, "--commands", script)
    assert done.returncode == 0, done.stderr
    told = done.stdout
    assert re.search(r"con_kick \(\w+h\): 78h at T \d+ \(.*\), \w+h, con_received\+0x\w+ "
                     r"\(console\.s:\d+\)", told), told
    assert re.search(r"\n  > [0-9A-F]{4}  71 +ld \(hl\),c +console\.s:\d+ +ld \(hl\), c\n", told)
    assert "40h = 64" in told, "the index stands one behind the ring's last"
    assert re.search(r"E6 7F +and 0x7f +console\.s:\d+ +and RX_SIZE - 1", told)


def test_c_lines_of_a_banked_function_are_places(preburn: Run, tmp_path: Path) -> None:
    """SDCC 4.2 put show() into a bank at 14000h, seen at 4000h; tests/data/images/build.sh."""
    images = ROOT / "tests" / "data" / "images"
    machine = tmp_path / "tide.toml"
    machine.write_text(f'''name = "tide"
[slot.cpu]
card = "z80-cpu"
[slot.memory]
card = "banked-memory"
image = "{images / "tide.ihx"}"
symbols = "{images / "tide.cdb"}"
window-size = 16384
ram-page = 0x40
base = 0x50
''')
    script = words(
        tmp_path / "w",
        "set port memory.page0 = 0", "set port memory.page1 = 5", "set port memory.page2 = 0x40",
        "set port memory.page3 = 0x41", "set port memory.latch = 1",
        "until main", "look code main for 2", "until show.c:6", "tell [shown]", "out",
        "line", "back over", "watch change shown if value = 3", "go", "back", "tell shown",
        "leave")
    done = preburn("step", machine, "--commands", script)
    told = done.stdout
    assert "at 0212h, main (tide.c:18)" in told, told + done.stderr
    assert "tide.c:19" in told.split("> line\n")[1].split("> back over")[0]
    assert "at 4000h, show (show.c:6)" in told
    assert "(tide.c:22)" in told, "out leads back to the caller's line"
    assert "stop 1: change shown (8001h): 03h, was 02h" in told


def test_json_gives_one_object_a_word(preburn: Run, roms: Path, tmp_path: Path) -> None:
    script = words(tmp_path / "w", 'until text "tw> "', "back", "tell 2 + 3")
    done = preburn("step", roms / "tidewater" / "full.toml", "--commands", script, "--json")
    shown, back, told = map(json.loads, done.stdout.splitlines())
    assert shown["reason"] == "stop" and shown["console"]["sio.a"].endswith("tw> ")
    assert back["t"] < shown["t"] and back["reason"] == "step"
    assert told["lines"] == ["5h = 5"] and set(told["registers"]) >= {"pc", "sp", "af", "hl'"}


def test_words_that_cannot_be_done_end_with_one_line_and_their_place(
        roms: Path, tmp_path: Path) -> None:
    machine = roms / "tidewater" / "full.toml"
    for line, said in (
            ("frobnicate", "'frobnicate' is no word here"),
            ("stop-at shel_main", "shel_main: no such symbol or source file in the images"),
            ("into x", "into takes a number from 1 to 1000000, not 'x'"),
            ("go sideways", "go takes a time such as 5 ms or 100 t, not 'sideways'"),
            ("watch", "say where or on what to stop; see help stops"),
            ("watch read", "read needs a place"),
            ("watch in sio.a-dta", "'sio.a-dta' is no port; write 20h or sio.a-data"),
            ("watch stack 9000h..8000h", "its end lies before its beginning"),
            ("watch write ticks after 0", "after takes a number from 1, not '0'"),
            ("watch text tw", "text needs a text in double quotes"),
            ("watch when value = 1", "value belongs to a stop on memory or a port"),
            ("set a", "set reads: set TARGET = VALUE"),
            ("set a = 500", "a holds 0 to FFh, not 500"),
            ("set jumper sio.clock-a = 1", "cannot change while it runs"),
            ("press ls", "press takes keys in double quotes"),
            ('press "x" on sio.c', "there is no serial channel 'sio.c'; fitted: sio.a, sio.b"),
            ("forget 3", "there is no stop '3'; there are: none"),
            ("back to 3 s", "does not lie behind"),
            ("look nothing", "look nothing: not known"),
            ("insert sio.a disk.img", "no drive or socket for a medium"),
            ("do sio.dance", "sio.dance: no such thing can be done"),
            ("symbols nosuch.map", "nosuch.map"),
            ("tell 1 +", "it ends too early")):
        script = words(tmp_path / "w", "into", line, "into")
        done = CliRunner().invoke(group, ["step", str(machine), "--commands", str(script)])
        assert done.exit_code == 1, line
        assert done.stderr.count("\n") == 1 and f"{script}:2: " in done.stderr, done.stderr
        assert said in done.stderr, done.stderr


def test_a_bad_machine_is_refused_with_status_2(preburn: Run, tmp_path: Path) -> None:
    done = preburn("step", tmp_path / "none.toml", "--commands", tmp_path / "none")
    assert done.returncode == 2 and done.stderr.count("\n") == 1


class Terminal:
    """A person's terminal, 100 by 40: what is typed, and what the screen then shows."""

    def __init__(self, machine: Path, home: Path) -> None:
        self._socket = str(home / "tmux")
        code = home / ".cache" / "preburn"
        code.mkdir(parents=True)
        (code / "code").symlink_to(cache_folder())  # only the history is apart
        command = (f"cd {ROOT}; XDG_CACHE_HOME={home / '.cache'} {sys.executable} -m emu.cli step "
                   f"{machine}; echo it left with $?; sleep 1000")
        self._tmux("-f", "/dev/null", "new-session", "-d", "-x", "100", "-y", "40", command)

    def _tmux(self, *arguments: str) -> str:
        return subprocess.run(["tmux", "-S", self._socket, *arguments], check=True, text=True,
                              capture_output=True).stdout

    def type(self, *keys: str) -> None:
        """Press keys by tmux's names, or type texts."""
        self._tmux("send-keys", *keys)

    def shows(self, pattern: str) -> re.Match[str]:
        """Wait until the screen shows a pattern."""
        for _ in range(600):
            screen = self._tmux("capture-pane", "-p")
            if match := re.search(pattern, screen):
                return match
            time.sleep(0.1)
        raise AssertionError(f"{pattern!r} was not shown:\n{screen}")

    def close(self) -> None:
        """Take the terminal away."""
        self._tmux("kill-server")


@pytest.fixture
def terminal(roms: Path, tmp_path: Path) -> Iterator[Terminal]:
    """Give a person a terminal with the stepper running in it."""
    if shutil.which("tmux") is None:
        pytest.skip("tmux is not installed")
    opened = Terminal(roms / "tidewater" / "full.toml", tmp_path)
    yield opened
    opened.close()


def test_a_person_completes_recalls_breaks_off_and_goes_back(terminal: Terminal) -> None:
    terminal.shows(r"preburn> *\n")
    terminal.type("until sched_r", "Tab")
    terminal.shows("preburn> until sched_run")
    terminal.type("Enter")
    terminal.shows(r"at 02B2h, sched_run \(sched\.s:98\)")
    terminal.type("Up")
    terminal.shows(r"until sched_run\n*\Z")
    terminal.type("C-u", "go", "Enter")
    terminal.shows(r"preburn> go\n")
    terminal.type("C-c")
    far = terminal.shows(r"interrupted\nT (\d+) ")
    terminal.type("back", "Enter")
    back = terminal.shows(r"preburn> back\nT (\d+) ")
    assert 0 < int(far[1]) - int(back[1]) <= 23
    terminal.type("frobnicate", "Enter")
    terminal.shows("'frobnicate' is no word here; ")
    terminal.type("leave", "Enter")
    terminal.shows("it left with 0")


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="reads /proc")
def test_ctrl_c_ends_words_from_a_file_behind_many_single_steps(tmp_path: Path) -> None:
    file = words(tmp_path / "w", *["into"] * 40, "go", "look")
    run = subprocess.Popen([sys.executable, "-m", "emu.cli", "step",
                            str(ROOT / "roms/tidewater/full.toml"), "--commands", str(file)],
                           cwd=ROOT, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    while worked(run.pid) < 2.5:  # it has long come to go
        time.sleep(0.1)
    run.send_signal(2)
    out, err = run.communicate(timeout=120)
    assert run.returncode == 130 and "> look" not in out
    assert "  interrupted\n" in out
    assert "preburn: stopped by Ctrl-C after " in err and "Traceback" not in err


def test_a_signal_ends_waiting_for_words_too() -> None:
    run = subprocess.Popen([sys.executable, "-m", "emu.cli", "step", "--commands", "-",
                            str(ROOT / "roms/tidewater/full.toml")],
                           cwd=ROOT, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                           stderr=subprocess.PIPE)
    run.stdin.write("look\n")
    run.stdin.flush()
    assert run.stdout.readline() == "> look\n"
    run.send_signal(2)
    assert run.wait(60) == 130
    assert "stopped by Ctrl-C after 0 s emulated, at T-state 0" in run.communicate()[1]


def test_no_word_runs_past_the_limit(tmp_path: Path, preburn: Run) -> None:
    done = preburn("step", ROOT / "roms/tidewater/full.toml", "--limit", "0.01", "--commands",
                   words(tmp_path / "w", "go", "until 5 s", "back", "into"))
    assert done.returncode == 0
    assert done.stdout.count("the limit of 0.01 s is reached") == 2
