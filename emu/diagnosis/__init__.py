"""Say why a run came to its end: `explain`.

The order of the questions: did it reach what was waited for; does a keystroke in a forked
copy wake the foreground (then it waits for input); is it stuck in a state that shows by
itself (an interrupt nobody answered, HALT with interrupts off, running through FFh); does
the foreground come back to a state it was in (then it hangs, and the causes of hanging are
tried); else it is still running.
"""
from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress

import numpy as np

from emu.bus.state import IN, OUT
from emu.card.cause import BUSY, HALTED_OFF, STUCK, WAITS, WILD
from emu.card.roles import DATA
from emu.diagnosis.case import BUDGET, Case
from emu.diagnosis.cause_catalogue import findings, proved
from emu.diagnosis.causes.control import by_wire, held
from emu.diagnosis.causes.flags import by_what_is_received, listens
from emu.diagnosis.causes.interrupt_path import waited_for
from emu.diagnosis.causes.judging import has_spoken
from emu.diagnosis.causes.program import storms
from emu.diagnosis.causes.storm import storming
from emu.diagnosis.causes.uncalled_handler import asleep
from emu.diagnosis.causes.wild import RESTARTS, astray, strays_to_start, wild
from emu.diagnosis.conditions import Budget
from emu.diagnosis.evidence.bus_window import forked, windows
from emu.diagnosis.evidence.chronicled import chronicle
from emu.diagnosis.evidence.own_end import (
    BROKEN_RULES,
    ends_itself,
    idles,
    stops_with_message,
)
from emu.diagnosis.risks import risks, unclaimed_ports
from emu.diagnosis.trials.decision import decision_lines, way_in
from emu.diagnosis.trials.forks import hand, keystroke
from emu.diagnosis.trials.mending import with_more_time
from emu.diagnosis.trials.progress import TIGHT, run_on
from emu.diagnosis.trials.remedies import SecondRun, second_runs
from emu.diagnosis.verdict import HALTED, HUNG, REACHED, RUNAWAY, RUNNING, WAITING, Finding, Verdict
from emu.errors import say_where
from emu.machine.effort import Spent, metered
from emu.machine.machine import Machine
from emu.run.session import Session

__all__ = ["Verdict", "explain"]

GIGA = 1e9
AGAIN = 3  # seconds of work more for each 1e9 T-states of the run, which is gone through again
MOST_MORE = 8  # and no more than that
A_SECOND = 1.0  # in which a round with a delay comes by its ports
SERVED = 2.5  # seconds in which handlers that work for an idle program do something
LINE = 6  # characters of a first line that tell one start from another
MOST_TOLD = 3  # broken rules told where no cause is named


def explain(session: Session, seconds: float = BUDGET,
            clock: Callable[[], float] | None = None) -> Verdict:
    """Give the verdict of a run; the machine is left as it was.

    ``seconds`` of work, counted in what is run (`emu.machine.effort`) or by ``clock``, are what
    its trials may take: the verdict is the same however busy the computer is.  KeyboardInterrupt
    that comes from it says how the run stands.
    """
    stands = session.machine.stands()
    try:
        with metered(math.inf) as meter:
            more = min(AGAIN * int(session.machine.m.t) / GIGA, MOST_MORE)
            return _explained(session, Budget(seconds + more, meter, clock))
    except KeyboardInterrupt as stop:
        say_where(stop, f"while the cause was looked for; the run had come to {stands}")
        raise


def _explained(session: Session, budget: Budget) -> Verdict:
    case = Case(session, budget)
    if session.reached:
        text = session.until or ""
        verdict = Verdict(REACHED, f"the console showed {text!r} after "
                                   f"{case.time(session.reached_t)}.")
    else:
        with forked(session.machine):
            verdict = _within(case)
        if session.interrupted:
            verdict.evidence.append(
                f"The run was interrupted at {case.time(int(case.m.t))} (T-state "
                f"{int(case.m.t)}), before its limit of {float(session.limit):g} s.")
        if session.closed:
            verdict.evidence.append(
                f"Nothing changes any more: {session.closed}; the run was ended at "
                f"{case.time(int(case.m.t))}, before its limit of {float(session.limit):g} s.")
    return _with_state(verdict, case)


def _within(case: Case) -> Verdict:
    """Give the verdict of a run that did not reach its text, with what can be found in time."""
    try:
        verdict = _unfinished(case)
    except Spent:
        case.budget.cut_off()
        verdict = Verdict(RUNNING, f"{_cut_short(case)}; what it does was not found out.")
    if case.budget.cut:
        verdict.evidence.append("The explanation ran out of time; not everything was tried.")
    return verdict


def _unfinished(case: Case) -> Verdict:
    later = None if case.session.closed else with_more_time(case)
    if later is not None:
        return Verdict(RUNNING, f"{_cut_short(case)}: with more time {later}.")
    case.condition, waits_for = condition(case)
    found = findings(case)
    finding = proved(found)
    if finding is not None:
        verdict = _from(finding)
        also = [f.cause.code for f in found[1:] if f.cause != finding.cause]
        if also:
            verdict.facts["also"] = also
        if case.condition != WAITS:
            boots = _second_runs(case, finding)
            verdict.second_runs = [run.as_dict() for run in boots]
            as_tried(verdict, boots)
    else:
        verdict = _without_cause(case, waits_for, found)
    return verdict


def _second_runs(case: Case, finding: Finding) -> list[SecondRun]:
    try:
        return second_runs(case, finding)
    except Spent:
        case.budget.cut_off()
        return []


def as_tried(verdict: Verdict, boots: list[SecondRun]) -> None:
    """Put what was tried before what is advised; a port that was proved stands for a guess."""
    for run in boots:
        port = "" if run.port is None else f"{run.port:02X}"
        ports = verdict.facts.get("ports", [])
        if port in ports[1:]:
            verdict.remedy = [r for r in verdict.remedy if f" {ports[0]}h" not in r]
            verdict.facts["ports"] = [port, *(p for p in ports if p != port)]
    verdict.remedy[:0] = [run.line() for run in boots]


def _without_cause(case: Case, waits_for: str | None, found: list[Finding]) -> Verdict:
    """Give the verdict of a run in which nothing is proved to be broken."""
    if case.condition == WAITS:
        sleeps = asleep(case)
        return Verdict(WAITING, f"it waits for input {waits_for} in a copy of the machine woke "
                                f"its foreground.", risks=[sleeps] if sleeps else [],
                       evidence=first_broken(case) if case.text_wanted else [])
    again = starts_over(case)
    if again is not None:
        return again
    if case.condition == BUSY:
        return Verdict(RUNNING, f"{_cut_short(case)}; it runs in {case.loop()}, "
                                f"{_going_on(case)}.")
    if case.condition in (HALTED_OFF, STUCK) and (
            ends_itself(case) or case.text_wanted and stops_with_message(case)):
        wanted = case.session.until
        return Verdict(HALTED, f"the program ended by itself at {case.loop()}, after it had shown "
                               f"{case.session.console.last_line()!r}.",
                       evidence=[*([f"The text {wanted!r} did not come."] if wanted else []),
                                 *decision_lines(case, case.once(way_in)), *first_broken(case)])
    empty = _empty_socket(case) if case.condition in (STUCK, BUSY) else None
    if empty is not None:
        return Verdict(WAITING, f"it waits for something to be put into {empty}: it is empty.")
    if case.condition == STUCK and not case.waits and idles(case):
        return Verdict(RUNNING, f"it rests in {case.loop()} with interrupts on, and none came that "
                                f"woke more than a handler.")
    received = None if case.session.missed or case.condition != STUCK else next(
        (load for wait in case.waits for load in wait.memory()
         if by_what_is_received(case, load.address)), None)
    if received is not None:
        return Verdict(WAITING, f"it waits in {case.loop()} for {case.names.data(received.address)}"
                                f", which the receive handler changes: what it waits for was not "
                                f"typed.")
    if case.condition == STUCK and listens(case):
        return Verdict(WAITING, f"it goes round in {case.loop()} and may be interrupted by a key; "
                                f"nothing was typed in this run.", evidence=first_broken(case))
    if case.condition == STUCK and not case.text_wanted and _served_lately(case) \
            and not first_broken(case):
        return Verdict(RUNNING, f"it goes round in {case.loop()} and is interrupted there, and "
                                f"nothing more was asked of it.")
    verdict = Verdict(HUNG, f"it stays in {case.loop()} with nothing changing, and no cause "
                            f"of the catalogue fits.")
    verdict.evidence = [hint for f in found for hint in (f.summary, *f.evidence)]
    if case.condition == STUCK:
        verdict.evidence += waited_for(case)
    verdict.evidence += first_broken(case)
    return verdict


def _served_lately(case: Case) -> bool:
    """Tell whether it has shown a text, and interrupts are taken to the end of the run."""
    m = case.m
    return bool(has_spoken(case) and int(m.ack_count)
                and int(m.t) - int(m.ack_last) < case.machine.at(A_SECOND))


def starts_over(case: Case) -> Verdict | None:
    """Give the verdict of a program that starts over again and again without RESET."""
    found = chronicle(case).of("restart")
    times = sum(one.count for one in found)
    if times < RESTARTS:
        return None
    return Verdict(
        RUNAWAY, f"the program starts over again and again: 0000h was reached {times} times "
                 f"without RESET, the first time from {case.names.at(found[0].a)} after "
                 f"{case.time(found[0].t)}.", evidence=first_broken(case))


def _empty_socket(case: Case) -> str | None:
    """Name the slot whose ports the foreground reads, and whose bay for a medium is empty."""
    for number in sorted(_asked_ports(case)):
        media = case.machine.description.slots[number].media
        if media and not any(media.values()):
            return case.slot_words(number)
    return None


def _asked_ports(case: Case) -> set[int]:
    """Give the slots whose ports are read within a second, whether they answer or not."""
    with forked(case.machine) as machine:
        before = np.array(machine.m.port_reads)
        run_on(machine, int(machine.m.t) + machine.at(A_SECOND))
        read = np.nonzero(np.asarray(machine.m.port_reads) > before)[0]
    slots = {int(case.m.port_slot[port]) for port in read.tolist()}
    return {number for number in slots if number >= 0}  # below: nobody's port, or shared


def first_broken(case: Case) -> list[str]:
    """Tell the first rules that were broken in a run, for whom no cause is named."""
    return [f"After {case.time(one.t)}: {one.text}"
            for one in chronicle(case).of(*BROKEN_RULES)[:MOST_TOLD]]


def condition(case: Case) -> tuple[str, str | None]:
    """Say what the machine is doing, and in words where it waits for input, and what woke it."""
    session = case.session
    if held(case):
        channel = keystroke(session.machine, session.type_now, case.control,
                            case.idle) if by_wire(case) else None
        return (STUCK, None) if channel is None else (WAITS, f"on {channel}: a key typed")
    if int(case.m.halted) and not int(case.m.iff1):
        return (BUSY if int(case.m.nmi_count) and _by_nmi(case) else HALTED_OFF), None
    if storming(case.last):
        return STUCK, None
    if astray(case):
        return WILD, None
    channel = keystroke(session.machine, session.type_now, case.control, case.idle)
    if channel is not None and not _repeats_itself(case):
        return WAITS, f"on {channel}: a key typed"
    if _repeats_itself(case):
        return WILD, None
    if not case.control.shown and any(slot.card.hands(session.machine.m, slot.state)
                                      for slot in session.machine.slots):
        done = hand(session.machine, case.control, case.idle, _asked(case))
        if done is not None:
            return WAITS, f"at {done[0]}: {done[1]}"
    if storms(case) or wild(case) or \
            sum(one.count for one in strays_to_start(case)) >= RESTARTS:
        return WILD, None
    if _puts_out(case):
        return BUSY, None
    if case.progress.works and (_served(case) or case.once(way_in) is None):
        return BUSY, None  # it was meant to come here: the rest is done by interrupts
    return (STUCK if case.progress.stuck else BUSY), None


def _by_nmi(case: Case) -> bool:
    """Tell whether a card drives /NMI, which ends any HALT."""
    return any(slot.card.drives_nmi(case.m, slot.state) for slot in case.machine.slots)


def _puts_out(case: Case) -> bool:
    """Tell whether the foreground goes on to put out bytes that change, at a card that only has
    lines to show them: lamps, a line that is sent on bit by bit."""
    ports = {row.port & 0xFF for slot in case.machine.slots if not slot.card.channels
             and set().union(*slot.card.kinds.values()) == {DATA}
             for row in case.machine.description.slots[slot.number].ports}
    shown: dict[int, set[int]] = {}
    with forked(case.machine) as machine:
        for w in windows(machine, machine.at(A_SECOND)) if ports else ():
            for k in w.where(OUT, False).tolist():
                port = int(w.address[k]) & 0xFF
                if port in ports:
                    shown.setdefault(port, set()).add(int(w.data[k]))
    return any(len(values) > 1 for values in shown.values())


def _served(case: Case) -> bool:
    """Tell whether ports are written while the foreground does nothing: handlers do the work."""
    if len(case.control.code) > TIGHT:
        return False
    with forked(case.machine) as machine:
        before = int(np.asarray(machine.m.port_writes).sum())
        run_on(machine, int(machine.m.t) + machine.at(SERVED))
        return int(np.asarray(machine.m.port_writes).sum()) > before


def _repeats_itself(case: Case) -> bool:
    """Tell whether the program starts over and over, and says its first line each time."""
    lines = case.session.console.lines()
    return bool(lines) and len(lines[0]) >= LINE and lines.count(lines[0]) > RESTARTS \
        and starts_over(case) is not None


def _asked(case: Case) -> set[int]:
    """Give the slots whose ports the foreground reads."""
    w = case.last
    return {int(w.driver[k]) - 1 for k in w.where(IN, False)}


def _going_on(case: Case) -> str:
    """Say in words why a machine is not called hung."""
    progress = case.progress
    if progress.leaves_t is not None and progress.leaves_to is not None:
        after = case.time(progress.leaves_t - int(case.m.t))
        return f"and left alone it goes on to {case.names.at(progress.leaves_to)} {after} later"
    if progress.works:
        return "a loop without an exit; what else it does, interrupt handlers do"
    if case.control.shown:
        return "and keeps printing"
    return "and its state keeps changing"


def _cut_short(case: Case) -> str:
    if case.session.interrupted:
        return f"it was interrupted after {case.time(int(case.m.t))}"
    return "the limit came first"


def _from(finding: Finding) -> Verdict:
    return Verdict(finding.verdict, finding.summary, finding.cause.code, finding.evidence,
                   finding.remedy, dict(finding.facts))


def registers(machine: Machine) -> dict[str, str]:
    """Give the CPU's registers as hex strings."""
    m = machine.m
    r = [int(x) for x in np.asarray(m.r)]
    alt = [int(x) for x in np.asarray(m.alt)]
    pairs = {"af": r[7] << 8 | r[6], "bc": r[0] << 8 | r[1], "de": r[2] << 8 | r[3],
             "hl": r[4] << 8 | r[5], "ix": r[8] << 8 | r[9], "iy": r[10] << 8 | r[11],
             "af'": alt[7] << 8 | alt[6], "bc'": alt[0] << 8 | alt[1],
             "de'": alt[2] << 8 | alt[3], "hl'": alt[4] << 8 | alt[5],
             "pc": int(m.pc), "sp": int(m.sp), "wz": int(m.wz)}
    out = {name: f"{value:04X}" for name, value in pairs.items()}
    out.update(i=f"{int(m.i):02X}", r=f"{int(m.refresh):02X}", im=str(int(m.im)),
               iff1=str(int(m.iff1)), iff2=str(int(m.iff2)), halted=str(int(m.halted)))
    return out


def _with_state(verdict: Verdict, case: Case) -> Verdict:
    machine = case.machine
    with suppress(Spent):
        verdict.risks += risks(case.session, verdict)
    verdict.t_states = int(machine.m.t)
    verdict.emulated_seconds = float(machine.seconds(int(machine.m.t)))
    verdict.cpu = registers(machine)
    verdict.where = case.names.at((int(machine.m.pc) - int(machine.m.halted)) & 0xFFFF)
    verdict.unclaimed_ports = unclaimed_ports(machine)
    verdict.cards = {slot.name: slot.card.describe(machine.m, slot.state)
                     for slot in machine.slots}
    return verdict
