"""Sessions: slices, scripts, replay, and the same result however it is sliced."""
from __future__ import annotations

import threading
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import pytest

from emu.backplane.description import load
from emu.machine.legs import FIRST, MOST, Legs
from emu.machine.machine import Machine
from emu.run.script import Step, read_script
from emu.run.session import SLICE, Session

LONGEST = 23  # T-states by which a slice may end late: an instruction
TIDEWATER = Path(__file__).parent.parent / "roms" / "tidewater"


def test_every_command_of_tidewater() -> None:
    session = Session(Machine(load(TIDEWATER / "full.toml")), None, Fraction(60),
                      read_script(TIDEWATER / "every-command.script"))
    session.run()
    assert session.failed_step is None
    assert session.steps == []


@pytest.mark.parametrize("step", [997, 6144, 50_000])
def test_slices_do_not_matter(step: int) -> None:
    whole = Machine(load(TIDEWATER / "full.toml"))
    sliced = Machine(load(TIDEWATER / "full.toml"))
    end = whole.at(Fraction(1, 20))
    whole.run(end)
    while int(sliced.m.t) < end:
        sliced.run(min(int(sliced.m.t) + step, end))
    assert int(whole.m.t) == int(sliced.m.t)
    a, b = whole.snapshot(), sliced.snapshot()
    assert (a.memory == b.memory).all()
    for name in ("r", "alt", "pc", "sp", "refresh", "wz", "instructions", "int_count"):
        assert (whole.record[name] == sliced.record[name]).all(), name


def test_the_log_changes_nothing() -> None:
    plain, logged = (Machine(load(TIDEWATER / "full.toml")) for _ in range(2))
    end = plain.at(Fraction(1, 20))
    plain.run(end)
    logged.log(True)
    while int(logged.m.t) < end:
        logged.run(end)
    assert int(plain.m.instructions) == int(logged.m.instructions)
    assert (plain.snapshot().memory == logged.snapshot().memory).all()


def test_a_snapshot_goes_on_to_the_t_state() -> None:
    machine = Machine(load(TIDEWATER / "full.toml"))
    machine.run(machine.at(Fraction(1, 50)))
    saved = machine.snapshot()
    machine.run(machine.at(Fraction(1, 10)))
    after = machine.snapshot()
    machine.restore(saved)
    machine.run(machine.at(Fraction(1, 10)))
    again = machine.snapshot()
    assert (after.memory == again.memory).all()
    assert after.t == again.t


def test_wrong_divisor_gives_garbage(tmp_path: Path) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text(f'extends = "{TIDEWATER}/full.toml"\n[slot.sio]\n'
                    "terminal-a = { baud = 9600 }\n")
    session = Session(Machine(load(path)), None, Fraction(1))
    session.run()
    text = bytes(session.console.channels["sio.a"].text)
    assert text
    assert b"Tidewater" not in text


def ended(monkeypatch: pytest.MonkeyPatch, quiet: int, until: str | None,
          limit: Fraction) -> tuple[object, ...]:
    """Run Tidewater and give all that must not depend on how many slices run as one."""
    monkeypatch.setattr("emu.run.session.QUIET", quiet)
    session = Session(Machine(load(TIDEWATER / "full.toml")), until, limit)
    session.run()
    machine = session.machine
    return (session.reached, session.reached_t, int(machine.m.t), int(machine.m.instructions),
            bytes(session.console.channels["sio.a"].text),
            session.console.channels["sio.a"].times, machine.snapshot().memory.tobytes())


@pytest.mark.parametrize(("until", "limit"), [
    ("tw> ", Fraction(3)), ("Tide", Fraction(3)), ("T", Fraction(3)), (None, Fraction(1, 3)),
    ("never", Fraction(13, 10))])
def test_slices_of_a_quiet_run_do_not_matter(monkeypatch: pytest.MonkeyPatch, until: str | None,
                                             limit: Fraction) -> None:
    one = ended(monkeypatch, 1, until, limit)
    assert one == ended(monkeypatch, 2, until, limit) == ended(monkeypatch, 50, until, limit)


def test_a_text_that_comes_in_two_slices_is_found() -> None:
    """At 38400 baud a line takes 10 ms and more; slices are 20 ms."""
    session = Session(Machine(load(TIDEWATER / "full.toml")),
                      "Tidewater 1.5, harbour tide-gauge logger\r\n512 KiB RAM", Fraction(3))
    session.run()
    assert session.reached
    slices = {t // session.machine.at(Fraction(1, 50))
              for t in session.console.channels["sio.a"].times[:50]}
    assert len(slices) > 1


def test_a_silent_run_takes_few_slices() -> None:
    session = Session(Machine(load(TIDEWATER / "full.toml")), None, Fraction(60))
    looks: list[int] = []

    def look(s: Session) -> str:
        looks.append(int(s.machine.m.t))
        return ""

    session.over = look
    session.run()
    assert looks == sorted(set(looks))
    assert looks[-1] >= session.machine.at(Fraction(60))
    assert len(looks) < 100  # of 3000 slices


def test_interrupted_ends_the_run_at_a_slices_end() -> None:
    session = Session(Machine(load(TIDEWATER / "full.toml")), "never", Fraction(60))

    def stop(s: Session) -> str:
        s.interrupted = s.machine.m.t > s.machine.at(Fraction(5))
        return ""

    session.over = stop
    session.run()
    assert session.machine.at(5) < session.machine.m.t < session.machine.at(7)


def scripted(*steps: Step, limit: float = 4, until: str | None = None) -> Session:
    """Run Tidewater with the steps of a script."""
    session = Session(Machine(load(TIDEWATER / "full.toml")), until, Fraction(limit), list(steps))
    session.run()
    return session


def first_slice(session: Session, t: int) -> int:
    """Give the end of the first slice that does not end before a T-state."""
    step = session.machine.at(SLICE)
    return -(-t // step) * step


def test_silence_counts_from_the_last_character() -> None:
    """Its step begins while the banner is being shown."""
    quiet = Fraction(1, 5)
    session = scripted(Step("expect", b"Tide", Fraction(3)), Step("silence", seconds=quiet),
                       Step("send", b"help\r"))
    typed = session.inputs[0].t
    times = session.console.channels["sio.a"].times
    before = max(t for t in times if t < typed)
    begun = session.met[0][2]
    assert before > begun
    assert 0 <= typed - first_slice(session, before + session.machine.at(quiet)) < LONGEST


def test_silence_counts_from_its_own_beginning() -> None:
    """Where nothing is shown for longer, the step still lasts its time."""
    wait, quiet = Fraction(2), Fraction(1, 2)
    session = scripted(Step("wait", seconds=wait), Step("silence", seconds=quiet),
                       Step("send", b"help\r"))
    typed = session.inputs[0].t
    times = session.console.channels["sio.a"].times
    assert max(t for t in times if t < typed) < session.machine.at(wait)
    due = first_slice(session, session.machine.at(wait) + session.machine.at(quiet))
    assert 0 <= typed - due < LONGEST


def test_a_text_that_was_expected_lies_behind() -> None:
    """Each expect looks from the end of the one before; a prompt is not met twice."""
    once = [Step("expect", b"Tide", Fraction(3)), Step("expect", b"water", Fraction(3)),
            Step("expect", b"tw> ", Fraction(3))]
    session = scripted(*once)
    assert [text for _, text, _ in session.met] == [b"Tide", b"water", b"tw> "]
    assert session.failed_step is None
    again = Step("expect", b"tw> ", Fraction(1))
    session = scripted(*once, again)
    assert session.failed_step == again
    session = scripted(*once, Step("expect", b" ", Fraction(1)))
    assert session.failed_step is not None


def test_the_text_to_reach_is_looked_for_behind_the_last_expect() -> None:
    steps = (Step("expect", b"tw> ", Fraction(3)),)
    assert not scripted(*steps, until="tw> ").reached
    session = scripted(*steps, Step("send", b"\r"), until="tw> ")
    shown = session.console.channels["sio.a"]
    assert session.reached
    assert session.reached_t == shown.times[bytes(shown.text).rindex(b"tw> ") + 3]


def test_what_was_missed_is_named() -> None:
    never = Step("expect", b"never", Fraction(1))
    assert scripted(never).missed == never
    late = Step("expect", b"never", Fraction(60))
    session = scripted(late, limit=0.5)
    assert (session.failed_step, session.missed) == (None, late)
    assert scripted(Step("expect", b"tw> ", Fraction(3))).missed is None
    assert scripted(Step("silence", seconds=Fraction(60)), limit=0.5).missed is None


def test_an_expected_text_may_be_the_first_and_its_moment_is_its_end() -> None:
    shown = scripted(Step("expect", b"tw> ", Fraction(3))).console.channels["sio.a"]
    first = bytes(shown.text[:3])
    session = scripted(Step("expect", first, Fraction(3)))
    assert session.met == [("sio.a", first, shown.times[2])]


def test_a_run_that_is_broken_off_stands_between_two_instructions_and_can_go_on() -> None:
    """From another thread, as from a signal's handler; what was shown by then is fetched."""
    session = Session(Machine(load(TIDEWATER / "full.toml")), None, Fraction(10_000_000))
    timer = threading.Timer(0.3, session.interrupt)
    timer.start()
    session.run()
    timer.join()
    m = session.machine.m
    assert session.interrupted and int(m.t) < session.machine.at(10_000_000)
    told = {c.name: bytes(c.text) for c in session.console.channels.values()}
    session.limit = Fraction(int(m.t) + 1_000_000) / session.machine.hz
    session.interrupted = False
    session.run()
    whole = Session(Machine(load(TIDEWATER / "full.toml")), None, session.limit)
    whole.run()
    assert int(whole.machine.m.t) == int(m.t)
    for name in ("r", "alt", "pc", "sp", "refresh", "wz", "instructions", "int_count"):
        assert (whole.machine.record[name] == session.machine.record[name]).all(), name
    assert all(bytes(c.text).startswith(told[c.name])
               for c in whole.console.channels.values())


def test_legs_grow_on_a_fast_machine_only_and_never_past_the_most() -> None:
    m = SimpleNamespace(t=0, exit_reason=0)
    lengths: list[int] = []

    def run(end: int) -> None:
        lengths.append(end - m.t)
        m.t = end

    legs = Legs(m, run)
    legs.to(100 * MOST)
    assert max(lengths) == MOST and m.t == 100 * MOST
    for _ in range(20):
        legs._measure(1.0, MOST)  # a leg that took a second
    lengths.clear()
    legs.to(int(m.t) + FIRST)
    assert lengths == [FIRST]
