"""The live console: its parts alone, and whole at real terminals (pexpect, pyte, tmux)."""
import contextlib
import json
import os
import select
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import pexpect
import pyte
import pytest

from emu.backplane.description import load
from emu.errors import InputError
from emu.live import saved
from emu.live.escape import byte_of, split
from emu.live.pace import Pace
from emu.live.terminal_links import PseudoTerminal, TcpPort
from emu.machine.machine import Machine
from emu.stepper.stepper import Stepper

ROOT = Path(__file__).parent.parent
FULL = ROOT / "roms/tidewater/full.toml"
WAIT = 60  # seconds for what takes one when nothing else runs


# --- parts ------------------------------------------------------------------------------
def test_escape_keys() -> None:
    assert (byte_of("ctrl-_"), byte_of("Ctrl-T"), byte_of("ctrl-\\")) == (0x1F, 0x14, 0x1C)
    for name in ("ctrl-m", "ctrl-[", "ctrl-i"):
        with pytest.raises(InputError, match="take another"):
            byte_of(name)
    with pytest.raises(InputError, match="takes a key such as ctrl-t"):
        byte_of("f1")
    assert split(b"ls\r", 0x1F) == (b"ls\r", None)
    assert split(b"l\x1fs", 0x1F) == (b"l", b"s")


def test_pace_keeps_to_the_clock_and_forgives_long_waits() -> None:
    now = [0.0]
    pace = Pace(Fraction(1_000_000), clock=lambda: now[0])
    pace.start(500)
    now[0] = 0.1
    assert pace.target(500) == 500 + 100_000
    now[0] = 10.0  # the host slept: do not make it up
    assert pace.target(100_500) == 100_500 + 10_000
    now[0] = 10.02
    assert abs(pace.target(110_500) - (100_500 + 20_000)) <= 1
    assert Pace(Fraction(10), fast=True).wait() == 0


def test_tcp_keeps_what_is_shown_before_somebody_calls() -> None:
    port = TcpPort("sio.a", 0)
    try:
        port.write(b"hello ")
        listening = port.descriptors()
        with socket.create_connection(("127.0.0.1", port.port), timeout=5) as peer:
            while port.descriptors() == listening:
                port.read()
            port.write(b"there")
            assert peer.recv(100)[:5] == b"hello"
            peer.sendall(b"ls")
            got = b""
            while got != b"ls":
                got += port.read()
        with pytest.raises(InputError, match="cannot be used: Address already in use"):
            TcpPort("sio.b", port.port)
    finally:
        port.close()


def test_pseudo_terminal_passes_bytes_both_ways() -> None:
    link = PseudoTerminal("sio.a")
    try:
        other = os.open(link.path, os.O_RDWR | os.O_NOCTTY)
        os.write(other, b"\x03ls\r")
        got = b""
        while len(got) < 4:
            got += link.read()
        assert got == b"\x03ls\r"
        link.write(b"\x00\xff\n")
        assert os.read(other, 10) == b"\x00\xff\n"
        os.close(other)
    finally:
        link.close()


@pytest.fixture
def stepper() -> Stepper:
    return Stepper(Machine(load(FULL)))


def test_a_saved_machine_comes_back_to_the_t_state(stepper: Stepper, tmp_path: Path) -> None:
    path = tmp_path / "m.json"
    stepper.go(stepper.machine.at(0.2))
    stepper.change("typed", "sio.a", b"ps\r")
    stepper.go(stepper.machine.at(0.7))
    saved.save(path, stepper)
    again = Stepper(Machine(load(FULL), saved.seed_of(path)))
    saved.load(path, again)
    assert again.t == stepper.t
    assert saved.state_digest(again.machine) == saved.state_digest(stepper.machine)
    assert again.console.channels["sio.a"].text == stepper.console.channels["sio.a"].text
    again.back()
    assert again.t < stepper.t


@pytest.mark.parametrize(("change", "message"), [
    (lambda t: t[:200], "is no saved machine, or a damaged one"),
    (lambda t: t.replace('"t": ', '"t": 1'), "checksum does not fit"),
    (lambda t: t.replace('"version": 1', '"version": 9'), "is of version 9"),
    (lambda t: "{}", "is no saved machine; make one with"),
])
def test_damaged_and_foreign_files_are_refused(stepper: Stepper, tmp_path: Path, change,
                                               message: str) -> None:
    path = tmp_path / "m.json"
    saved.save(path, stepper)
    path.write_text(change(path.read_text()))
    with pytest.raises(InputError, match=message):
        saved.load(path, stepper)


def test_another_machine_is_refused(stepper: Stepper, tmp_path: Path) -> None:
    path = tmp_path / "m.json"
    saved.save(path, stepper)
    other = Stepper(Machine(load(ROOT / "roms/tidewater/plain.toml")))
    with pytest.raises(InputError, match="was saved of another machine"):
        saved.load(path, other)


def test_a_run_that_goes_otherwise_is_refused(stepper: Stepper, tmp_path: Path) -> None:
    path = tmp_path / "m.json"
    saved.save(path, stepper)
    tree = json.loads(path.read_text())
    tree["state"] = "0" * 64
    rest = {k: v for k, v in tree.items() if k not in ("format", "seal")}
    tree["seal"] = saved.seal_of(rest)
    path.write_text(json.dumps(tree))
    with pytest.raises(InputError, match="does not come to the saved state"):
        saved.load(path, stepper)


# --- whole ------------------------------------------------------------------------------
def command(*arguments: object) -> list[str]:
    return [sys.executable, "-m", "emu.cli", "console", *map(str, arguments)]


@pytest.fixture
def console() -> Iterator[pexpect.spawn]:
    first, *rest = command(FULL)
    child = pexpect.spawn(first, rest, timeout=WAIT, cwd=str(ROOT), dimensions=(30, 100))
    yield child
    child.close(force=True)


def test_a_person_types_stops_and_goes_on(console: pexpect.spawn, tmp_path: Path) -> None:
    console.expect_exact("tw> ")
    console.send("sleep 1\r")
    began = time.monotonic()
    console.expect_exact("sleep 1")
    console.expect_exact("tw> ")
    assert time.monotonic() - began > 0.9  # real time: common sense, one second is one second
    console.send("\x1f")
    console.expect_exact("console> ")
    console.sendline("nonsense")
    console.expect_exact("'nonsense' is no word here")
    console.sendline(f"save {tmp_path}/m.json")
    console.expect_exact("the machine is saved to")
    console.sendline("explain")
    console.expect_exact("verdict: waiting-for-input")
    console.expect(r"\r\n\S* {4}\S")  # 100 columns: what goes on is set in
    console.sendline("")
    console.send("date\r")
    console.expect_exact("2031-")
    console.send("\x1f")
    console.expect_exact("console> ")
    console.sendline("leave")
    console.expect_exact("ended after")
    console.expect(pexpect.EOF)
    console.close()
    assert console.exitstatus == 0 and (tmp_path / "m.json").exists()


def test_the_stepper_is_entered_and_left(console: pexpect.spawn) -> None:
    console.expect_exact("tw> ")
    console.send("\x1f")
    console.expect_exact("console> ")
    console.sendline("step")
    console.expect_exact("preburn>")
    console.send("look\r")
    console.expect_exact("sched_idle")
    console.send("leave\r")
    console.expect_exact("console> ")
    console.sendline("on")
    console.send("ps\r")
    console.expect_exact("shell")


def test_the_terminal_is_given_back_after_a_kill(tmp_path: Path) -> None:
    shell = pexpect.spawn("/bin/sh", timeout=WAIT, cwd=str(ROOT), dimensions=(30, 100),
                          env={**os.environ, "PS1": "ready> "})
    shell.expect_exact("ready> ")
    shell.sendline("stty -a > " + str(tmp_path / "before"))
    shell.expect_exact("ready> ")
    shell.sendline(" ".join(command(FULL)) + f" & echo $! > {tmp_path}/pid; fg >/dev/null")
    shell.expect_exact("tw> ")
    pid = int((tmp_path / "pid").read_text())
    os.kill(pid, 15)
    shell.expect_exact("ready> ")
    shell.sendline("stty -a > " + str(tmp_path / "after"))
    shell.expect_exact("ready> ")
    shell.close(force=True)
    assert (tmp_path / "after").read_text() == (tmp_path / "before").read_text()


def test_the_screen_is_what_the_machine_draws(console: pexpect.spawn) -> None:
    screen = pyte.Screen(100, 30)
    stream = pyte.ByteStream(screen)
    console.expect_exact("tw> ")
    stream.feed(console.before + console.after)
    console.send("pages\r")
    console.expect_exact("vectors")
    stream.feed(console.before + console.after)
    shown = [line.rstrip() for line in screen.display if line.strip()]
    assert "tw> pages" in shown
    assert any(line.startswith("window 7 at E000") for line in shown)


def test_tcp_serves_all_channels() -> None:
    with subprocess.Popen([*command(FULL), "--tcp", "0", "--fast"], cwd=ROOT, text=True,
                          stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        ports = [int(child.stdout.readline().rsplit(" ", 1)[1]) for _ in range(2)]
        with socket.create_connection(("127.0.0.1", ports[0]), timeout=WAIT) as peer:
            got = b""
            while b"tw> " not in got:
                got += peer.recv(4096)
            peer.sendall(b"ps\r")
            while b"shell" not in got:
                got += peer.recv(4096)
        child.send_signal(2)
        assert "ended after" in child.communicate(timeout=WAIT)[0]
        assert child.returncode == 0


@pytest.mark.parametrize("number", [15, 1, 2])
def test_a_signal_ends_it_and_the_machine_is_saved(tmp_path: Path, number: int) -> None:
    with subprocess.Popen([*command(FULL), "--tcp", "0", "--save", tmp_path / "m.json"], cwd=ROOT,
                          text=True, stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        while "Ctrl-C ends" not in child.stdout.readline():
            pass
        child.send_signal(number)
        assert "ended after" in child.communicate(timeout=WAIT)[0]
    assert json.loads((tmp_path / "m.json").read_text())["format"] == "preburn saved machine"


def test_the_machine_is_saved_when_the_terminal_goes(tmp_path: Path) -> None:
    first, *rest = command(FULL, "--save", tmp_path / "m.json")
    child = pexpect.spawn(first, rest, timeout=WAIT, cwd=str(ROOT), ignore_sighup=False)
    child.expect_exact("tw> ")
    child.ptyproc.delayafterclose = child.ptyproc.delayafterterminate = 0.01
    with contextlib.suppress(pexpect.ExceptionPexpect):  # it is still at work
        child.close(force=False)  # hangs up, and sends SIGHUP and SIGINT besides
    for _ in range(WAIT * 10):
        if (tmp_path / "m.json").exists():
            break
        time.sleep(0.1)
    stepper = Stepper(Machine(load(FULL)))
    saved.load(tmp_path / "m.json", stepper)
    assert b"tw> " in stepper.console.channels["sio.a"].text


def test_a_long_paste_is_typed_as_the_machine_takes_it(console: pexpect.spawn) -> None:
    console.expect_exact("tw> ")
    for _ in range(6):
        console.send("a" * 1000)
    console.send("\r\x1f")
    console.expect_exact("console> ")
    console.sendline("fast")
    console.sendline("")
    console.expect_exact("tw> ")
    console.send("ps\r")
    console.expect_exact("shell")


def test_a_second_caller_waits_and_takes_no_time() -> None:
    port = TcpPort("sio.a", 0)
    try:
        with socket.create_connection(("127.0.0.1", port.port), timeout=WAIT) as peer:
            while b"x" not in (peer.sendall(b"x"), port.read())[1]:
                pass
            with socket.create_connection(("127.0.0.1", port.port), timeout=WAIT):
                time.sleep(0.1)
                ready, _, _ = select.select(port.descriptors(), [], [], 0)
                while ready:  # what the first one sent more than once
                    port.read()
                    ready, _, _ = select.select(port.descriptors(), [], [], 0)
                assert not ready
    finally:
        port.close()


@pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed")
def test_in_tmux_as_a_person(tmp_path: Path) -> None:
    socket_path = str(tmp_path / "tmux")

    def tmux(*words: str) -> str:
        return subprocess.run(["tmux", "-S", socket_path, *words], text=True, check=True,
                              capture_output=True).stdout

    def shows(text: str) -> str:
        for _ in range(WAIT * 10):
            shown = tmux("capture-pane", "-p")
            if text in shown:
                return shown
            time.sleep(0.1)
        raise AssertionError(f"{text!r} did not come: {shown}")

    tmux("new-session", "-d", "-x", "100", "-y", "30", "-c", str(ROOT), " ".join(command(FULL)))
    try:
        shows("\ntw>")
        tmux("send-keys", "help", "Enter")
        shows("wait N seconds")
        tmux("send-keys", "C-c")  # goes to the machine
        tmux("send-keys", "C-_")
        shows("console>")
        tmux("send-keys", "fast", "Enter")
        tmux("send-keys", "sleep 100", "Enter", "ps", "Enter")
        assert "shell" in shows("running")
    finally:
        tmux("kill-server")


def test_mistakes(preburn, tmp_path: Path) -> None:
    done = preburn("console", FULL)
    assert done.returncode == 2 and "console needs a terminal" in done.stderr
    done = preburn("console", FULL, "--escape", "ctrl-m")
    assert done.returncode == 2 and "take another" in done.stderr
    done = preburn("console", FULL, "--pty", "--tcp", "5000")
    assert done.returncode == 2 and "choose one of them" in done.stderr
    (tmp_path / "rom.bin").write_bytes(b"\x76")
    (tmp_path / "bare.toml").write_text(
        '[slot.cpu]\ncard = "z80-cpu"\n[slot.memory]\ncard = "plain-memory"\n'
        'image = "rom.bin"\n')
    done = preburn("console", tmp_path / "bare.toml", "--pty")
    assert done.returncode == 2 and "no card with a serial channel" in done.stderr
