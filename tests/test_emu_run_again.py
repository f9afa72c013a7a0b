"""One run, done again by each part of preburn that does so: always to the same state.

What the runs must come to is the machine itself as it stood at the end of the first.
"""
from __future__ import annotations

import json
import zlib
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest
from cpu_machine import Bare

from emu.backplane.description import load
from emu.chronicle.story import watched
from emu.diagnosis import explain
from emu.diagnosis.case import Case
from emu.diagnosis.evidence.bus_window import forked
from emu.diagnosis.trials.moments import Again
from emu.knowngood.metered import MeteredMachine
from emu.knowngood.parting import part
from emu.logs.run_cycles import pieces
from emu.logs.traced import TracedMachine
from emu.logs.tracer import watch
from emu.logs.window import Window
from emu.machine.machine import Machine
from emu.preflight.measure import measure
from emu.run.inputs import Input, fitting
from emu.run.session import Session
from emu.stepper.as_session import session_of, verdict
from emu.stepper.stepper import Stepper
from emu.stepper.watch import parse
from emu.testing.rig import Rig

TIDEWATER = Path(__file__).parent.parent / "roms" / "tidewater"
State = tuple[int, ...]


def state(machine: Machine) -> State:
    """Sum up the CPU, the time and the memory of a machine."""
    m = machine.m
    return (int(m.t), int(m.instructions), int(m.pc), int(m.sp), int(m.ack_count),
            zlib.crc32(m.r.tobytes() + m.alt.tobytes()),
            zlib.crc32(machine.snapshot().memory.tobytes()))


@pytest.fixture(scope="module")
def disk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("disks") / "disk.img"
    path.write_bytes(bytes(737280))
    return path


@pytest.fixture(scope="module")
def handled(disk: Path) -> Session:
    """Boot Tidewater with a floppy controller and do one thing of each kind to it."""
    session = Session(Machine(load(TIDEWATER / "floppy.toml")), "tw> ", Fraction(2))
    session.run()
    for kind, where, value in (
            ("typed", "sio.a", b"disk list\r"), ("medium", "floppy.drive-a", str(disk)),
            ("typed", "sio.a", b"disk attach\r"), ("jumper", "memory.waits-m1", 1),
            ("register", "bc'", 0x1234),
            ("memory", str(0x1F000), b"\x12\x34"), ("out", str(0x29), 0x03), ("line", "nmi", 1),
            ("medium", "floppy.drive-a", None), ("typed", "sio.a", b"sleep 1\r")):
        session.do(kind, where, value)
        session.run_to(int(session.machine.m.t) + session.machine.at(Fraction(1, 10)))
    return session


def by_replay(session: Session) -> Machine:
    return session.replay(int(session.machine.m.t))


def from_power_on(session: Session) -> Machine:
    machine = session.replay(0)
    end = int(session.machine.m.t)
    while int(machine.m.t) < end:
        machine.run(end)
    return machine


def with_a_fork_on_the_way(session: Session) -> Machine:
    """A trial in a copy in the midst of the inputs leaves no trace, nor does one on a fork."""
    end = int(session.machine.m.t)
    machine = session.replay(session.inputs[2].t - 1000)
    with forked(machine):
        machine.run(end)
    machine.run(end)
    return machine


def by_a_trial(session: Session) -> Machine:
    run = Again(Case(session))
    middle, end = session.inputs[4].t, int(session.machine.m.t)
    run.to(middle)
    saved = run.save()
    run.to(end)
    run.back(saved)
    run.to(end)
    return run.machine


def by_the_chronicle(session: Session) -> Machine:
    return watched(session)


def by_the_meter(session: Session) -> Machine:
    run = session.so_far()
    machine = MeteredMachine(run.description, run.seed)
    run.on(machine).run_to(run.end)
    return machine


def by_a_tracing_machine(session: Session) -> Machine:
    run = session.so_far()
    machine = TracedMachine(run.description, run.seed)
    machine.trace(Window(None, None), [])
    run.on(machine).run_to(run.end)
    return machine


def by_a_tracer(session: Session) -> Machine:
    """As what is told around a difference is made."""
    end = int(session.machine.m.t)
    machine = session.so_far().at(session.inputs[3].t - 500)
    chunk = watch(machine, end, machine.player)
    assert len(chunk)
    return machine


def by_its_cycles(session: Session) -> Machine:
    """As a report and `verify` read the bus."""
    return [machine for machine, _ in pieces(session.so_far(), session.inputs[1].t)][-1]


def by_the_stepper(session: Session) -> Machine:
    stepper = Stepper(Machine(session.machine.description, session.machine.seed))
    stepper.load(Input.from_dict(i.as_dict()) for i in session.inputs)
    stepper.go(int(session.machine.m.t))
    return stepper.machine


def by_a_frozen_rig(session: Session) -> Machine:
    rig = Rig(session.machine.description)
    rig.session.player.inputs += session.inputs[:6]
    rig.session.run_to(session.inputs[6].t - 1)
    rig = Rig.thaw(rig.freeze())
    rig.session.player.inputs += session.inputs[6:]
    rig.session.run_to(int(session.machine.m.t))
    return rig.session.replay(int(session.machine.m.t))


@pytest.mark.parametrize("way", [
    by_replay, from_power_on, with_a_fork_on_the_way, by_a_trial, by_the_chronicle, by_the_meter,
    by_a_tracing_machine, by_a_tracer, by_its_cycles, by_the_stepper, by_a_frozen_rig])
def test_every_way_to_do_a_run_again_ends_alike(
        handled: Session, way: Callable[[Session], Machine]) -> None:
    assert len({i.kind for i in handled.inputs}) == 7
    assert state(way(handled)) == state(handled.machine)


def test_a_run_does_not_part_from_itself(handled: Session) -> None:
    assert part(handled.so_far(), handled.so_far(), handled.inputs[2].t) is None
    assert measure(handled.so_far()).end <= int(handled.machine.m.t)


def test_one_script_that_changes_disks_through_every_command(
        preburn: Callable[..., object], disk: Path, tmp_path: Path) -> None:
    file, record = TIDEWATER / "floppy.toml", tmp_path / "good.json"
    script = tmp_path / "change.script"
    script.write_text('expect "tw> " within 2 s\neject floppy.drive-a\nwait 0.1 s\n'
                      f'insert floppy.drive-a "{disk}"\nsend "disk attach\\r"\n'
                      'expect "no file system" within 2 s\nexpect "tw> "\n')
    asked = "--script", script, "--limit", "3"
    report = tmp_path / "run.html"
    boot = json.loads(preburn("boot", file, *asked, "--json", "--report", report).stdout)
    assert boot["verdict"] == "waiting-for-input", boot
    assert [set(one) - {"t"} for one in boot["input"]] == [
        {"bay", "medium"}, {"bay", "medium"}, {"channel", "keys"}]
    assert "floppy.drive-a: taken ..." in report.read_text()
    done = preburn("record", file, "-o", record, *asked)
    assert done.returncode == 0, done.stderr
    assert json.loads(record.read_text())["end"] == {
        "verdict": boot["verdict"], "t": boot["t_states"]}
    done = preburn("verify", file, record, "--strict", "--good", file)
    assert done.stdout.startswith("same: "), done.stdout + done.stderr
    done = preburn("compare", file, file, *asked)
    assert done.returncode == 0, done.stdout + done.stderr
    done = preburn("sweep", file, "--clock", "6.144 MHz", *asked, "--json")
    assert [one["t_states"] for one in json.loads(done.stdout)["machines"]] == [boot["t_states"]]
    done = preburn("preflight", file, *asked, "--record", record)
    assert "record: same" in done.stdout and "latency" in done.stdout, done.stdout + done.stderr


def sat() -> Stepper:
    stepper = Stepper(Machine(load(TIDEWATER / "full.toml")))
    stepper.until(parse('text "tw> "', stepper.book))
    return stepper


@pytest.mark.parametrize(("changes", "cause"), [
    ([("jumper", "ctc.interrupt", False), ("typed", "sio.a", b"sleep 1\r")], "int-not-wired"),
    ([("typed", "sio.a", b"sleep 1\r"), ("out", str(0x28), 0x03)], "timer-stopped"),
    ([("register", "iff1", 0), ("register", "iff2", 0)], "interrupts-off")])
def test_the_steppers_verdict_knows_what_hands_did(
        changes: list[tuple[str, str, object]], cause: str) -> None:
    stepper = sat()
    for kind, where, value in changes:
        stepper.change(kind, where, value)
        stepper.go(stepper.t + stepper.machine.at(Fraction(1, 10)))
    stepper.go(stepper.t + stepper.machine.at(Fraction(1, 2)))
    before, spot = state(stepper.machine), stepper.spot
    assert verdict(stepper).cause == cause
    assert (state(stepper.machine), stepper.spot) == (before, spot)
    for way in (by_replay, from_power_on, by_the_chronicle):
        assert state(way(session_of(stepper))) == before


def test_the_steppers_verdict_after_an_eject(disk: Path) -> None:
    stepper = Stepper(Machine(load(TIDEWATER / "floppy.toml")))
    stepper.until(parse('text "tw> "', stepper.book))
    stepper.change("medium", "floppy.drive-a", str(disk))
    stepper.change("medium", "floppy.drive-a", None)
    stepper.change("typed", "sio.a", b"disk list\r")
    stepper.go(stepper.t + stepper.machine.at(1))
    assert verdict(stepper).verdict == "waiting-for-input"
    again = session_of(stepper).replay(stepper.t)
    assert again.bays["floppy.drive-a"].inserts == 2
    assert state(again) == state(stepper.machine)


def test_what_a_test_pokes_is_done_again_too() -> None:
    rig = Rig.boot(TIDEWATER / "full.toml", "tw> ")
    rig.poke("sched_free", b"\xc9")
    rig.poke(0xEFFE, b"\x01\x02\x03\x04")
    rig.send("ls\r")
    rig.expect("tw> ")
    assert {i.kind for i in rig.session.inputs} == {"memory", "typed"}
    assert state(by_replay(rig.session)) == state(rig.machine)
    assert state(by_the_chronicle(rig.session)) == state(rig.machine)


def test_what_lies_ahead_of_the_stepper_is_not_in_its_verdict() -> None:
    stepper = sat()
    stepper.change("typed", "sio.a", b"sleep 1\r")
    stepper.go(stepper.t + stepper.machine.at(Fraction(1, 2)))
    stepper.back_to(stepper.history.inputs[0].t - 1000)
    found = verdict(stepper)
    assert found.verdict == "waiting-for-input" and session_of(stepper).inputs == []


def test_a_changed_machine_takes_the_inputs_that_it_can(disk: Path) -> None:
    machine = Machine(load(TIDEWATER / "full.toml"))
    asked = [Input(1, "typed", "sio.c", b"x"), Input(2, "typed", "acia", b"y"),
             Input(3, "medium", "floppy.drive-a", str(disk)),
             Input(4, "jumper", "ctc.interrupt", False), Input(5, "jumper", "rtc.interrupt", False),
             Input(6, "register", "a", 1), Input(7, "memory", str(1 << 30), b"z")]
    assert [*fitting(machine, asked)] == [Input(1, "typed", "sio.a", b"x"), asked[3], asked[5]]


def test_a_run_of_prefixes_is_no_place_for_an_input() -> None:
    """DD FD DD ... 3E 12: registers changed in the midst would be lost to the replay."""
    machine = Bare("DD FD " * 20 + "3E 12 18 FE", sp=0x9000).machine
    session = Session(machine)
    session.run_to(30)
    assert int(machine.m.prefix)
    session.do("register", "b", 7)
    assert int(machine.m.prefix) == 0


def test_the_verdict_is_the_same_for_a_boot_and_a_stepper() -> None:
    session = Session(Machine(load(TIDEWATER / "no-timer.toml")), None, Fraction(1))
    session.run()
    session.do("typed", "sio.a", b"sleep 1\r")
    session.run_to(session.machine.at(2))
    stepper = Stepper(Machine(session.machine.description, session.machine.seed))
    stepper.load(session.inputs)
    stepper.go(int(session.machine.m.t))
    one, other = explain(session).as_dict(), verdict(stepper).as_dict()
    assert one == other and one["cause"] == "no-tick"
