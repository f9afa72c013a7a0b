"""Long runs as someone watches them: Ctrl-C, and the status line on a terminal."""
from __future__ import annotations

import json
import os
import pty
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from conftest import worked

from emu import cli
from emu.chronicle import story
from emu.cli import running

ROOT = Path(__file__).parent.parent
SELFTEST = ROOT / "roms" / "selftest"
# print "go", then count 32 bits down: ld de,text / ld c,9 / call 5 / ld hl,0 / ld de,0
# loop: dec hl / ld a,h / or l / jr nz,same / dec de / same: or d / or e / jr nz,loop / jp 0
ENDLESS = bytes.fromhex("11 1B01 0E09 CD0500 210000 110000 2B 7CB5 2001 1B B2B3 20F6 C30000"
                        ) + b"go\r\n$"


@pytest.fixture
def endless(tmp_path: Path) -> Path:
    """A machine whose program would end, after all ages."""
    (tmp_path / "endless.bin").write_bytes(ENDLESS)
    path = tmp_path / "endless.toml"
    path.write_text(f'extends = "{SELFTEST / "flat.toml"}"\n[slot.memory]\n'
                    'ram-load.program = "endless.bin@0x100"\n')
    return path


def boot(*arguments: object, **streams: int) -> subprocess.Popen[str]:
    return subprocess.Popen([sys.executable, "-m", "emu.cli", "boot", *map(str, arguments)],
                            text=True, cwd=ROOT, **streams)


def test_ctrl_c_ends_a_run_with_a_verdict(endless: Path) -> None:
    done = boot(endless, "--limit", "1000000", stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert done.stdout.readline() == "go\n"  # it runs
    done.send_signal(signal.SIGINT)
    out, err = done.communicate(timeout=300)
    assert done.returncode == 130
    assert "Traceback" not in err
    assert re.search(r"verdict: still-running: it was interrupted after [0-9.]+ m?s; it runs in "
                     r"010Eh to 01", out)
    assert re.search(r"interrupted at [0-9.]+ m?s \(T-state [0-9]+\), before its limit of 1e\+06 s",
                     out)


def read_until(terminal: int, pattern: str) -> str:
    """Read a terminal until a pattern has come."""
    text = ""
    while not re.search(pattern, text):
        text += os.read(terminal, 4096).decode()
    return text


STATUS = r"[0-9.]+ s emulated, [0-9]+ MT/s, [0-9.]+ x real time"


def test_ctrl_c_of_a_run_that_hangs_says_so() -> None:
    """The diagnosis looks at an interrupted run as at any other."""
    ours, theirs = pty.openpty()
    done = boot(ROOT / "roms/broken/ports/silent-port.toml", "--limit", "1000000", "--full",
                "--json", stdout=subprocess.PIPE, stderr=theirs)
    os.close(theirs)
    read_until(ours, STATUS)
    done.send_signal(signal.SIGINT)
    out, _ = done.communicate(timeout=300)
    os.close(ours)
    verdict = json.loads(out)
    assert (verdict["verdict"], verdict["cause"]) == ("hung", "silent-port")
    assert "The run was interrupted at" in verdict["evidence"][-1]


@pytest.mark.parametrize(("number", "status"), [(signal.SIGTERM, 143), (signal.SIGHUP, 129)])
def test_other_signals_end_all_and_say_where_the_machine_stands(
        endless: Path, number: int, status: int) -> None:
    done = boot(endless, "--limit", "1000000", stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert done.stdout.readline() == "go\n"
    done.send_signal(number)
    _, err = done.communicate(timeout=300)
    assert done.returncode == status
    assert re.search(rf"preburn: stopped by {signal.Signals(number).name} after [0-9.]+ m?s "
                     r"emulated, at T-state \d+, PC 01[01][0-9A-F]h\.\n\Z", err)
    assert "Traceback" not in err


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="reads /proc")
@pytest.mark.parametrize(("arguments", "known"), [
    ("preflight FILE --limit 1000000", "boot: stopped after "),
    ("record FILE -o new.json --limit 1000000", ""),
    ("trace FILE --text new.txt --limit 1000000", ""),
    ("compare FILE FILE --limit 1000000", ""),
    ("layout FILE --run 1000000", "what a run of "),
    ("time FILE --limit 1000000", "idle in HALT")])
def test_every_run_says_how_far_it_came(endless: Path, arguments: str, known: str) -> None:
    """Whatever a command wrote by then ends with a whole line, or is not there."""
    run = subprocess.Popen(
        [sys.executable, "-m", "emu.cli", *arguments.replace("FILE", str(endless)).split()],
        text=True, cwd=endless.parent, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)})
    while run.poll() is None and worked(run.pid) < 1.2:
        time.sleep(0.1)
    run.send_signal(signal.SIGINT)
    out, err = run.communicate(timeout=300)
    assert run.returncode == 130 and "Traceback" not in err
    assert "stopped by Ctrl-C" in err
    assert known in out
    made = {path.name for path in endless.parent.iterdir()} - {"endless.bin", "endless.toml"}
    assert made <= {"new.txt"}
    assert "new.txt" not in made or (endless.parent / "new.txt").read_text().endswith("\n")


def test_a_terminal_on_standard_error_shows_how_far_the_run_is(endless: Path) -> None:
    ours, theirs = pty.openpty()
    done = boot(endless, "--limit", "1000000", stdout=subprocess.PIPE, stderr=theirs)
    os.close(theirs)
    read_until(ours, STATUS + r" \| go")
    done.send_signal(signal.SIGINT)
    out, _ = done.communicate(timeout=300)
    os.close(ours)
    assert "still-running" in out
    assert "MT/s" not in out


def test_on_one_terminal_the_status_stands_below_the_console(endless: Path) -> None:
    ours, theirs = pty.openpty()
    done = boot(endless, "--limit", "1000000", stdout=theirs, stderr=theirs)
    os.close(theirs)
    text = read_until(ours, STATUS)
    assert text.index("go\r\n") < text.index(" s emulated")
    done.send_signal(signal.SIGINT)
    text += read_until(ours, r"\(\d.* s emulated in .*\)")
    done.wait(300)
    os.close(ours)
    assert text.count("go\r\n") == 1
    assert text.index("verdict: still-running") > text.rindex(" MT/s")


def test_what_takes_long_is_said_on_a_terminal_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(running, "PATIENCE", 0.01)
    ours, theirs = pty.openpty()
    with os.fdopen(theirs, "w") as terminal:
        monkeypatch.setattr(sys, "stderr", terminal)
        with running.Display().doing("the cause is looked for"):
            assert read_until(ours, r" s").endswith("the cause is looked for, 0 s")
        assert read_until(ours, r"K\Z").endswith(running.CLEAR)
        assert signal.getitimer(signal.ITIMER_REAL) == (0, 0)
        monkeypatch.setattr(terminal, "isatty", lambda: False, raising=False)
        with running.Display().doing("the cause is looked for"):
            assert signal.getitimer(signal.ITIMER_REAL) == (0, 0)
    os.close(ours)


def test_ctrl_c_behind_the_verdict_leaves_it(
        endless: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """What is known is told, though what the run is done again for is not finished."""
    monkeypatch.setattr(story, "story_of", lambda _: (_ for _ in ()).throw(KeyboardInterrupt))
    monkeypatch.setattr(sys, "argv", ["preburn", "boot", str(endless), "--limit", "0.1",
                                      "--chronicle", "--coverage", str(endless.parent / "c.info")])
    with pytest.raises(SystemExit) as end:
        cli.main()
    out, err = capsys.readouterr()
    assert end.value.code == 130
    assert out.startswith("go\n\nverdict: still-running: ")
    assert err.strip() == "preburn: stopped by Ctrl-C while the chronicle was made."
    assert not (endless.parent / "c.info").exists()


def test_a_pipe_gets_no_status(endless: Path) -> None:
    done = boot(endless, "--limit", "600", stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    out, err = done.communicate(timeout=300)
    assert "MT/s" not in out + err
    assert "the limit came first" in out


def test_noise_is_shortened_and_kept_in_a_file(tmp_path: Path) -> None:
    """A program that prints one character for ever: ld e,7Eh / ld c,2 / call 5 / jr back."""
    (tmp_path / "noise.bin").write_bytes(bytes.fromhex("1E7E 0E02 CD0500 18F7"))
    path = tmp_path / "noise.toml"
    path.write_text(f'extends = "{SELFTEST / "flat.toml"}"\n[slot.memory]\n'
                    'ram-load.program = "noise.bin@0x100"\n')
    kept = tmp_path / "all.txt"
    done = boot(path, "--limit", "1", "--console", kept, stdout=subprocess.PIPE)
    out, _ = done.communicate(timeout=300)
    count = int(re.search(r"~{100} \(x ([0-9]+)\)", out)[1])
    assert count > 150
    head, name, text = kept.read_bytes().split(b"\n", 2)
    assert head.startswith(b"preburn: what the terminals showed, noise.toml")
    assert name.startswith(b"--- ")
    assert text.count(b"~") == count

    kept.write_text("mine")
    done = boot(path, "--console", kept, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    out, err = done.communicate(timeout=300)
    assert (done.returncode, out, len(err.splitlines())) == (2, "", 1)
    assert "is there already and is no kept console" in err


def test_the_text_that_did_not_come_is_told(endless: Path) -> None:
    done = boot(endless, "--limit", "1", "--until", "ready", stdout=subprocess.PIPE)
    out, _ = done.communicate(timeout=300)
    assert done.returncode == 1
    assert "evidence:\n  - The text 'ready' did not come.\n" in out


def test_full_runs_on_where_nothing_changes_any_more(tmp_path: Path) -> None:
    (tmp_path / "stop.bin").write_bytes(bytes.fromhex("F376"))  # di / halt
    path = tmp_path / "stop.toml"
    path.write_text(f'extends = "{SELFTEST / "flat.toml"}"\n[slot.memory]\n'
                    'ram-load.program = "stop.bin@0x100"\n')
    told = []
    for options in ([], ["--full"]):
        done = boot(path, "--json", "--limit", "5", *options, stdout=subprocess.PIPE)
        told.append(json.loads(done.communicate(timeout=300)[0]))
    early, full = told
    assert (early["cause"], early["verdict"]) == (full["cause"], full["verdict"])
    assert early["emulated_seconds"] < 2 and full["emulated_seconds"] >= 5
    assert "Nothing changes any more: the CPU stands in HALT" in early["evidence"][-1]
    assert early.keys() >= {"wall_seconds", "run_seconds", "compile_seconds"}
