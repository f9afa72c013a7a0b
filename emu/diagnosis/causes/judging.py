"""What every cause of the chronicle asks: is anything wrong, what came before, does a mend help?"""
from __future__ import annotations

from collections.abc import Callable

from emu.card.cause import BUSY, HALTED_OFF, STUCK, WAITS, WILD
from emu.chronicle.anomalies import Anomaly
from emu.diagnosis.case import Case
from emu.diagnosis.evidence.chronicled import ASTRAY, chronicle
from emu.diagnosis.evidence.own_end import ends_itself
from emu.diagnosis.trials.mending import Mend, helps
from emu.diagnosis.verdict import HUNG, RUNAWAY, RUNNING, WAITING

SEVERAL = 4  # places that write to ROM: one that sizes memory is none of them
# A machine that waits for a key counts as failed only where a text was to come that did not.
FAILED = (HALTED_OFF, WILD, STUCK, BUSY, WAITS)


def ended(case: Case) -> str:
    return RUNAWAY if case.condition == WILD else HUNG


def led_to(case: Case, anomaly: Anomaly) -> str:
    return f"First seen after {case.time(anomaly.t)}" + (
        f", {anomaly.count} times in this run." if anomaly.count > 1 else ".")


def healthy(case: Case) -> bool:
    """Tell whether nothing is wrong with how it stands: it waits for a key or is at work and no
    text was asked for, or it has come to its own end."""
    return not case.text_wanted and (at_work(case) or ends_itself(case))


def at_work(case: Case) -> bool:
    """Tell whether it waits for a key or is at work, and no text was asked for.

    A console that has never shown anything is no sign of it.
    """
    return not case.text_wanted and case.condition in (WAITS, BUSY) and (
        has_spoken(case) or not case.session.console.channels)


def has_spoken(case: Case) -> bool:
    """Tell whether any terminal has shown more than blanks."""
    return any(bytes(channel.text).strip() for channel in case.session.console.channels.values())


def stands_as(case: Case) -> str:
    """Give the verdict of a run whose foreground may still answer, or work."""
    return {WAITS: WAITING, BUSY: RUNNING}.get(case.condition, HUNG)


def spoiled(case: Case) -> bool:
    """Tell whether memory does not keep what is written: then nothing else can be trusted."""
    return bool(chronicle(case).of("ram-changed"))


def tried_with(case: Case, mend: Mend,
               how: Callable[[Case, Mend], str | None] = helps) -> str | None:
    """Say what a mend brought, as ``how`` judges it; None for nothing."""
    if healthy(case) or spoiled(case):
        return None
    words = how(case, mend)
    return None if words is None else f"Tried: {mend.words}, {words}."


def went_wild_before(case: Case, one: Anomaly) -> bool:
    """Tell whether something worse was seen before: then this is a consequence."""
    return spoiled(case) or bool(chronicle(case).before(
        one.t, *ASTRAY, "restart", "noise-jump", "noise-points", "code-written", "register-lost",
        "page-lost", "vector-unwritten"))


def wrecked_before(case: Case, t: int) -> bool:
    """Tell whether memory was misused before a T-state: what came then may be its consequence."""
    story = chronicle(case)
    lost = {one.pc for one in story.before(t, "rom-write", "empty-write")}
    return len(lost) >= SEVERAL or bool(story.before(
        t, *ASTRAY, "push-lost", "code-written", "return-written", "noise-jump", "noise-points"))
