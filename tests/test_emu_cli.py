"""The commands as a builder runs them: text, JSON, exit status, one line for a mistake."""
from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from emu import cli
from emu.cli import group

Run = Callable[..., "subprocess.CompletedProcess[str]"]

KEYS = {"verdict", "cause", "summary", "evidence", "remedy", "t_states", "emulated_seconds",
        "wall_seconds", "console", "cpu", "where", "risks", "unclaimed_ports", "cards", "seed",
        "input"}


def test_boot_to_the_prompt(preburn: Run, roms: Path) -> None:
    done = preburn("boot", roms / "tidewater" / "full.toml", "--until", "tw> ", "--json")
    out = json.loads(done.stdout)
    assert done.returncode == 0
    assert out.keys() >= KEYS
    assert out["verdict"] == "reached"
    assert out["cause"] is None
    assert out["console"]["sio.a"].endswith("tw> ")
    assert set(out["cards"]) == {"cpu", "memory", "ctc", "sio"}


def test_boot_that_hangs(preburn: Run, roms: Path) -> None:
    done = preburn("boot", roms / "tidewater" / "no-timer.toml", "--send", r"sleep 1\r",
                   "--limit", "10", "--json")
    out = json.loads(done.stdout)
    assert done.returncode == 1
    assert (out["verdict"], out["cause"]) == ("hung", "no-tick")
    assert "sched_idle" in out["where"]
    assert "sched.s:" in out["where"]
    assert "ticks" in out["facts"]["variable"]
    assert out["input"][0]["keys"] == "sleep 1\r"
    assert {"port": "28", "reads": 2, "writes": 3} in out["unclaimed_ports"]
    assert out["cpu"]["halted"] == "1"


def test_boot_in_words(preburn: Run, roms: Path) -> None:
    done = preburn("boot", roms / "tidewater" / "plain.toml", "--limit", "1")
    assert done.returncode == 0
    assert "Tidewater" in done.stdout
    assert "verdict: waiting-for-input: it waits for input on acia" in done.stdout
    assert "\x1b" not in done.stdout


def test_script(preburn: Run, roms: Path, tmp_path: Path) -> None:
    script = tmp_path / "s.txt"
    script.write_text('expect "tw> " within 2 s\nsend "sleep 1\\r"\n'
                      'expect "tw> " within 1100 ms\nsend "ls\\r"\nexpect "readme"\n')
    done = preburn("boot", roms / "tidewater" / "full.toml", "--script", script, "--limit", "5")
    assert done.returncode == 0, done.stdout
    script.write_text('expect "tw> " within 2 s\nsend "sleep 3\\r"\nexpect "tw> " within 1 s\n')
    done = preburn("boot", roms / "tidewater" / "full.toml", "--script", script, "--limit", "9")
    assert done.returncode == 1
    assert f"{script}:3: the text 'tw> ' did not come." in done.stdout


def test_after_waits_for_its_text(preburn: Run, roms: Path) -> None:
    done = preburn("boot", roms / "tidewater" / "full.toml", "--after", "tw> ", "--send", r"ls\r",
                   "--until", "tw> ", "--limit", "3", "--json")
    out = json.loads(done.stdout)
    assert out["verdict"] == "reached"
    assert "readme" in out["console"]["sio.a"]


def test_after_belongs_to_the_send_behind_it(preburn: Run, roms: Path) -> None:
    done = preburn("boot", roms / "tidewater" / "full.toml", "--send", r"ls\r", "--after", "readme",
                   "--send", r"date\r", "--limit", "3", "--json")
    typed = json.loads(done.stdout)["input"]
    assert [t["keys"] for t in typed] == ["ls\r", "date\r"]
    assert typed[0]["t"] < typed[1]["t"]


def test_the_same_seed_gives_the_same_run(preburn: Run, roms: Path) -> None:
    runs = [json.loads(preburn("boot", roms / "tidewater" / "full.toml", "--limit", "1", "--seed",
                               seed, "--json").stdout) for seed in (7, 7, 8)]
    for out in runs:
        for taken in ("wall_seconds", "run_seconds", "compile_seconds"):
            out.pop(taken)
    assert runs[0] == runs[1]
    assert runs[2]["seed"] == 8


@pytest.mark.parametrize(("arguments", "message"), [
    (("boot", "none.toml"), "preburn: none.toml: no such file; check the backplane file path."),
    (("boot", "roms/tidewater/full.toml", "--limit", "soon"),
     "preburn: --limit takes seconds such as 10 or 0.5, not 'soon'."),
    (("boot", "roms/tidewater/full.toml", "--send", "ä"), "preburn: 'ä' holds something else than "
     "ASCII and the escapes \\r \\n \\t \\b \\xNN; a backslash itself is \\\\."),
    (("cards", "z80-cps"), "preburn: there is no card 'z80-cps'; did you mean 'z80-cpu'?"),
    (("boot", "roms/tidewater/full.toml", "--until", ""),
     "preburn: --until takes a text that is not empty; leave it out to run to the limit."),
    (("boot", "roms/tidewater/full.toml", "--seed", "-1"),
     "preburn: Invalid value for '--seed': -1 is not in the range x>=0."),
    (("boot", "roms/tidewater/full.toml", "--after", "x", "--after", "y", "--send", "z"),
     "preburn: --after 'x' has no --send behind it; give the text to send right after it."),
    (("boot", "roms/tidewater/full.toml", "--send", "z", "--after", "y"),
     "preburn: --after 'y' has no --send behind it; give the text to send right after it."),
    (("boot",), "preburn: no machine.toml in this folder; name a backplane FILE."),
    (("verify",), "preburn: name the record GOOD, which preburn record made."),
    (("bot",), "preburn: No such command 'bot'."),
])
def test_mistakes(preburn: Run, arguments: tuple[str, ...], message: str) -> None:
    done = preburn(*arguments)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith(message.split("; did")[0][:60])
    assert len(done.stderr.splitlines()) == 1
    assert "Traceback" not in done.stderr


def test_the_backplane_file_is_machine_toml_where_none_is_named(
        roms: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    commands = [["boot"], ["check"], ["console"], ["preflight"], ["rates"], ["record", "-o", "g"],
                ["step"], ["sweep"], ["trace"], ["verify", "good.json"]]
    for words in commands:
        result = CliRunner().invoke(group, words)
        assert str(result.exception) == "no machine.toml in this folder; name a backplane FILE."
    for name in ("b.toml", "a.toml"):
        (tmp_path / name).touch()
    result = CliRunner().invoke(group, ["check"])
    assert str(result.exception) == (
        "no machine.toml in this folder; name a backplane FILE, such as a.toml or b.toml.")
    example = roms / "driver-example"
    for name in ("driver.ihx", "driver.cdb", "machine.toml"):
        (tmp_path / name).write_bytes((example / name).read_bytes())
    done = CliRunner().invoke(group, ["check"])
    assert done.exit_code == 0 and "no-tick-source" in done.output
    done = CliRunner().invoke(group, ["record", "--until", ">", "-o", "good.json"])
    assert done.exit_code == 0, done.output
    for words in (["good.json"], ["machine.toml", "good.json"]):
        done = CliRunner().invoke(group, ["verify", *words])
        assert done.exit_code == 0, done.output


def test_check(preburn: Run, roms: Path) -> None:
    done = preburn("check", roms / "tidewater" / "mixed-modes.toml")
    assert done.returncode == 0
    assert done.stdout.startswith("warning: mixed-modes: acia interrupts without a vector")
    done = preburn("check", roms / "tidewater" / "full.toml", "--against",
                   roms / "tidewater" / "no-timer.toml", "--json")
    out = json.loads(done.stdout)
    assert out["findings"] == []
    full = roms / "tidewater" / "full.toml"
    assert f"{full}: the same machine as {full}.\n" in preburn(
        "check", full, "--against", full).stdout
    assert "slot ctc (z80-ctc) is fitted only here." in out["differences"]


def test_cards_come_from_their_declarations(preburn: Run) -> None:
    out = json.loads(preburn("cards", "--json").stdout)
    assert {"z80-cpu", "plain-memory", "banked-memory", "z80-sio", "acia-6850",
            "z80-ctc"} <= out.keys()
    text = preburn("cards", "z80-sio").stdout
    assert "ports: 4 from base on: a-data, a-control, b-data, b-control" in text
    assert "interrupts: gives a vector (mode 2); stands in backplane.chain" in text
    assert "clock-a" in text
    text = preburn("cards", "watchdog").stdout
    assert "interrupts: none\ninputs: button\nwhat a hand can do while it runs: press\n" in text
    assert "registers: data, error, count, lba0, lba1, lba2, head, status, control\n" in preburn(
        "cards", "compactflash").stdout  # one more than stands from the base on


@pytest.mark.parametrize("arguments", [("--help",), ("boot", "--help"), ("cards",)])
def test_light_commands_import_neither_numba_nor_numpy(arguments: tuple[str, ...]) -> None:
    code = ("import sys; sys.argv = ['preburn', *%r]\nfrom emu.cli import main\n"
            "try: main()\nexcept SystemExit: pass\n"
            "print([m for m in ('numba', 'numpy') if m in sys.modules], file=sys.stderr)")
    subprocess.run([sys.executable, "-c", code % (arguments,)], check=True, capture_output=True)
    again = subprocess.run([sys.executable, "-c", code % (arguments,)], check=True,
                           capture_output=True, text=True)
    assert again.stderr.strip() == "[]"


def test_boot_does_not_import_the_compiler(roms: Path) -> None:
    code = (f"import sys; sys.argv = ['preburn', 'boot', '{roms}/tidewater/full.toml', "
            "'--limit', '0.1']\nfrom emu.cli import main\ntry: main()\nexcept SystemExit: pass\n"
            "print('numba' in sys.modules, file=sys.stderr)")
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stderr.splitlines()[-1] == "False"


def test_a_file_of_the_builders_is_not_written_over(preburn: Run, roms: Path,
                                                    tmp_path: Path) -> None:
    machine = roms / "tidewater/full.toml"
    mine = tmp_path / "machine.toml"
    for command, option, what in (
            ("record", "-o", "record"), ("boot", "--report", "report"),
            *(("trace", option, "trace") for option in ("--text", "--jsonl", "--vcd"))):
        mine.write_text("[slot.cpu]\n")
        done = preburn(command, machine, "--limit", "0.001", option, mine)
        assert done.returncode == 2
        assert done.stderr == (f"preburn: {mine}: is there already and is no {what}; name another "
                               f"file for the {what}, or remove that one.\n")
        assert mine.read_text() == "[slot.cpu]\n"
        own = tmp_path / f"{command}{option}"
        for _ in range(2):  # its own kind may be made anew
            done = preburn(command, machine, "--limit", "0.001", option, own,
                           *(["--anyway"] if command == "record" else []))
            assert done.returncode in (0, 1), done.stderr
            assert "there already" not in done.stderr and own.exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize("words", ["causes", "cards z80-sio", "boot FULL --limit 0.5",
                                   "trace FULL --limit 0.001", "--help"])
def test_a_full_disk_behind_standard_output(roms: Path, words: str) -> None:
    arguments = [str(roms / "tidewater/full.toml") if w == "FULL" else w for w in words.split()]
    with open("/dev/full", "wb") as full:
        done = subprocess.run([sys.executable, "-m", "emu.cli", *arguments], stdout=full,
                              stderr=subprocess.PIPE, text=True, cwd=roms.parent, check=False)
    assert done.returncode == 2
    assert done.stderr.startswith("preburn: standard output: cannot be written: the disk is full; "
                                  "make room, or name another place")
    assert done.stderr.count("\n") == 1


def test_a_mistake_is_one_line(preburn: Run) -> None:
    done = preburn("medium", "format", "x.img")
    assert done.returncode == 2
    assert done.stderr == "preburn: Missing option '--files'. Choose from: fat12, tidewater\n"
    done = preburn("medium")
    assert done.returncode == 2 and done.stderr.startswith("Usage: preburn medium ")


def test_a_mistake_of_ours_has_an_exit_status_of_its_own(
        monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """70 is EX_SOFTWARE of BSD's sysexits.h; 1 would say that the machine did not boot."""
    def broken(**_: object) -> None:
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(cli.group, "main", lambda **_: broken())
    with pytest.raises(SystemExit) as left:
        cli.main()
    assert left.value.code == 70
    assert "ZeroDivisionError: planted" in (told := capsys.readouterr().err)
    assert told.endswith("preburn: this is a mistake in preburn, not in your files; no verdict is "
                         "given (exit status 70).\n")
