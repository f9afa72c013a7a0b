"""The verdict on the machines of the zoo and on Tidewater."""
from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import pytest

from emu.backplane.description import load
from emu.diagnosis import as_tried, explain
from emu.diagnosis.trials.remedies import SecondRun
from emu.diagnosis.verdict import Verdict
from emu.machine.machine import Machine
from emu.run.script import sends_of
from emu.run.session import SILENCE, Session

ROMS = Path(__file__).parent.parent / "roms"


def end_of(path: Path, limit: float = 3, sends: tuple[str, ...] = (),
           until: str | None = None) -> tuple[Session, Verdict]:
    session = Session(Machine(load(path)), until, Fraction(limit),
                      sends_of(sends, (), SILENCE))
    session.run()
    return session, explain(session, math.inf)  # the same however busy the computer is


def test_full_machine_reaches_its_prompt() -> None:
    _, verdict = end_of(ROMS / "tidewater" / "full.toml", until="tw> ")
    assert verdict.verdict == "reached"
    assert verdict.exit_status(True) == 0


def test_full_machine_waits_for_input() -> None:
    _, verdict = end_of(ROMS / "tidewater" / "full.toml")
    assert verdict.verdict == "waiting-for-input"
    assert verdict.exit_status(False) == 0


def test_full_machine_comes_back_from_sleep() -> None:
    session, verdict = end_of(ROMS / "tidewater" / "full.toml", 5, (r"sleep 1\r",))
    assert verdict.verdict == "waiting-for-input"
    assert session.console.channels["sio.a"].text.endswith(b"sleep 1\r\ntw> ")


@pytest.mark.parametrize("name", ["no-timer", "plain"])
def test_a_sleeper_without_a_timer(name: str) -> None:
    _, verdict = end_of(ROMS / "tidewater" / f"{name}.toml", 10, (r"sleep 1\r",))
    assert (verdict.verdict, verdict.cause) == ("hung", "no-tick")
    text = "\n".join([verdict.summary, *verdict.evidence])
    for part in ("tick_isr", "ticks", "sleep_ticks", "sched.s:", "timer.s:", "timer_init",
                 "Port 28h"):
        assert part in text
    assert "base 28h" in verdict.remedy[0]
    assert verdict.facts["vector"] == "10"


def test_a_second_run_says_which_change_boots() -> None:
    _, verdict = end_of(ROMS / "tidewater" / "no-timer.toml", 10, (r"sleep 1\r",))
    assert [run["verdict"] for run in verdict.second_runs] == ["waiting-for-input"]
    assert verdict.second_runs[0]["change"] == "with a timer card (z80-ctc) fitted at base 28h"
    assert verdict.remedy[0].startswith("Tried: with a timer card (z80-ctc) fitted at base 28h")


@pytest.mark.parametrize(("name", "change"), [
    ("sleepers/sleepers-int-jumper", "with interrupt = true in slot.ctc"),
    ("sleepers/sleepers-open-chain", "with the empty slot's IEI-IEO jumper set"),
    ("c-serial/c-print-cts", 'with cts = "low" in slot.acia'),
    ("waits/gives-up-loop", "with a timer card (z80-ctc) fitted at base 28h"),
])
def test_what_the_card_cage_can_cure_is_tried(name: str, change: str) -> None:
    _, verdict = end_of(ROMS / "broken" / f"{name}.toml")
    assert [run["change"] for run in verdict.second_runs] == [change]


def test_what_only_the_program_can_cure_has_no_second_run() -> None:
    _, verdict = end_of(ROMS / "broken" / "sleepers" / "sleepers-plain-ret.toml")
    assert verdict.cause == "missing-reti"
    assert verdict.second_runs == []


def test_no_timer_at_the_prompt_is_healthy() -> None:
    _, verdict = end_of(ROMS / "tidewater" / "no-timer.toml")
    assert verdict.verdict == "waiting-for-input"
    assert any("steady tick" in risk for risk in verdict.risks)


def test_mixed_modes() -> None:
    _, verdict = end_of(ROMS / "tidewater" / "mixed-modes.toml")
    assert verdict.cause == "floating-vector"
    assert "acia" in verdict.summary
    assert verdict.exit_status(False) == 1


def test_explaining_leaves_the_machine_as_it_was() -> None:
    session, _ = end_of(ROMS / "tidewater" / "plain.toml", 2, (r"sleep 1\r",))
    before = session.machine.snapshot()
    explain(session)
    after = session.machine.snapshot()
    assert before.t == after.t
    assert (before.memory == after.memory).all()


def test_a_replay_is_the_same_to_the_t_state() -> None:
    session, _ = end_of(ROMS / "tidewater" / "plain.toml", 2, (r"ls\r",))
    again = session.replay(int(session.machine.m.t))
    assert int(again.m.t) == int(session.machine.m.t)
    assert int(again.m.instructions) == int(session.machine.m.instructions)
    assert (again.snapshot().memory == session.machine.snapshot().memory).all()


def test_code_that_power_on_left_is_a_risk() -> None:
    _, verdict = end_of(ROMS / "broken" / "stacks" / "smashed-return.toml", 1)
    assert any("RAM that nobody has filled, the first at 9172h" in risk for risk in verdict.risks)
    _, healthy = end_of(ROMS / "tidewater" / "full.toml", until="tw> ")
    assert not any("nobody has filled" in risk for risk in healthy.risks)


def test_a_return_that_was_overwritten_names_the_writer() -> None:
    _, verdict = end_of(ROMS / "broken" / "stacks" / "smashed-return.toml", 1)
    assert verdict.cause == "runs-wild"
    assert any("overwritten by 0014h, greet+0xc" in line for line in verdict.evidence)


def test_a_process_that_looks_in_vain_hangs_though_others_go_on() -> None:
    _, verdict = end_of(ROMS / "broken" / "c-tasks" / "c-tasks-no-post.toml")
    assert (verdict.verdict, verdict.cause) == ("hung", "stuck-flag")
    _, healthy = end_of(ROMS / "broken" / "c-tasks" / "c-tasks-semaphore.toml")
    assert healthy.verdict == "waiting-for-input"


@pytest.mark.parametrize("name", ["ports/silent-probes-no-timer", "ports/silent-probes-mode-1"])
def test_the_timer_is_advised_where_the_program_sets_one_up(name: str) -> None:
    """It seeks other chips too, before and after, and writes the vector's byte to them."""
    _, verdict = end_of(ROMS / "broken" / f"{name}.toml")
    assert verdict.cause == "no-tick"
    tried, *advised = verdict.remedy
    assert tried.startswith("Tried: with a timer card (z80-ctc) fitted at base 28h")
    assert any("28h" in line for line in advised)
    assert not any(port in line for line in verdict.remedy for port in ("B0h", "B8h"))
    assert verdict.facts["ports"][0] == "28"


def test_a_port_that_was_tried_stands_for_a_guess() -> None:
    """A guess that names another port would contradict the line above it."""
    verdict = Verdict("hung", "", facts={"ports": ["70", "28"]},
                      remedy=["Fit a counter/timer (Z80 CTC) at base 70h.", "Or poll."])
    as_tried(verdict, [SecondRun("with a timer card at base 28h", "reached", 1.0, 0x28)])
    assert verdict.facts["ports"] == ["28", "70"]
    assert [line.split()[0] for line in verdict.remedy] == ["Tried:", "Or"]


def test_what_sleeps_on_a_dead_tick_is_a_risk_of_a_machine_that_echoes() -> None:
    """A key wakes its echo, so it is no hang; but the reading that it waits for never comes."""
    _, verdict = end_of(ROMS / "broken" / "echo" / "echo-polls-no-timer.toml")
    assert verdict.verdict == "waiting-for-input"
    assert verdict.risks[0].startswith("a process sleeps on ticks that never come: with ")
    assert "tick (echo-polls.s" in verdict.risks[0]
    for healthy in ("broken/echo/echo-polls", "tidewater/no-timer", "tidewater/plain"):
        _, sound = end_of(ROMS / f"{healthy}.toml")
        assert not any("never come" in risk for risk in sound.risks)
