"""Judge what cards say went wrong at them: did it lead to where the machine is now?

A card knows its own rules (`Card.troubles`); whether breaking one matters shows in the run.
The foreground has to be at that card: it reads or writes its ports while it goes round, or it
stands still and the card does too.  Where the card can tell what would mend it, that is done
in a copy of the machine, and only if the copy goes on is the trouble proved.
"""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

from emu.bus.state import ACK, FETCH, IN, NMI_FETCH, OUT
from emu.card.cause import BUSY, HALTED_OFF, STUCK, Cause
from emu.card.contract import Trouble
from emu.diagnosis.case import Case
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import Window, forked
from emu.diagnosis.trials.decision import decision_lines, way_in
from emu.diagnosis.trials.forks import activity, shown
from emu.diagnosis.trials.progress import run_on
from emu.diagnosis.verdict import HALTED, HUNG, SHOWN, TRIED, Finding
from emu.errors import InputError, nearest
from emu.machine.machine import Slot

TRIAL = 1.5  # seconds that a mended copy runs: more than the tries of a driver take
MORE = 4  # characters of a text
SOON = 0.05  # seconds from a trouble to the HALT that it led to


def troubles_of(case: Case) -> list[tuple[Slot, Trouble]]:
    """List what the cards say went wrong; InputError for a code that is none of the card's."""
    found = [(slot, trouble) for slot in case.machine.slots
             for trouble in slot.card.troubles(case.m, slot.state)]
    for slot, trouble in found:
        codes = [cause.code for cause in slot.card.causes]
        for code in (trouble.code, *([trouble.interrupted.code] if trouble.interrupted else [])):
            if code not in codes:
                raise InputError(f"slot.{slot.name}: the card {slot.card.name} reports the trouble "
                                 f"{code!r}, which is none of its causes; {nearest(code, codes)}")
    return found


def card_checks(case: Case) -> Iterator[Check]:
    """List the checks of the causes that the fitted cards bring.

    What its remedy can prove in a copy, or a register's test, is a trial; at a HALT with
    interrupts off nothing would go on, and cycles tell alone.
    """
    for cause in dict.fromkeys(cause for slot in case.machine.slots for cause in slot.card.causes):
        # A program that tries again and again for ever, its text never coming, stands still too.
        when = (*cause.when, BUSY) if STUCK in cause.when and case.text_wanted else cause.when
        for trial in (False, True):
            yield Check(partial(_check, cause, trial), cause, when, trial)


def _check(cause: Cause, trial: bool, case: Case) -> Finding | None:
    for slot, trouble in case.once(troubles_of):
        if trouble.code != cause.code:
            continue
        proves = trouble.mend is not None or bool(cause.decides)
        if (proves and case.condition != HALTED_OFF) != trial:
            continue
        if not cause.only_decided and leads_here(case, slot, trouble):
            found = _finding(case, cause, slot, trouble)
            if found is not None:
                return found
        if cause.decides and decided(case, slot, cause.decides):
            return _decided(case, cause, slot, trouble)
    return None


def decided(case: Case, slot: Slot, registers: tuple[str, ...]) -> bool:
    """Tell whether a card's register makes the test that keeps the foreground where it is, or
    made the one that led into a HALT or a loop without any test."""
    rows = [row for row in case.machine.description.slots[slot.number].ports
            if slot.card.registers[row.register] in registers]
    loads = [load for wait in case.waits for load in wait.ports()]
    stops = case.condition == HALTED_OFF or not case.waits
    decision = case.once(way_in) if stops else None
    if decision is not None:
        loads += [load for load in decision.loads if load.kind == "port"]
    return any(load.driver == slot.number + 1 and
               any(load.address & row.mask & 0xFF == row.port & 0xFF for row in rows)
               for load in loads)


def _decided(case: Case, cause: Cause, slot: Slot, trouble: Trouble) -> Finding:
    words = _Words(case, slot, trouble)
    halted = case.condition == HALTED_OFF
    return Finding(
        cause, HALTED if halted else HUNG, words.fill(trouble.summary),
        [*map(words.fill, trouble.evidence), *decision_lines(case, case.once(way_in))],
        [*map(words.fill, trouble.remedy)], {"slot": slot.name}, SHOWN, trouble.t)


def leads_here(case: Case, slot: Slot, trouble: Trouble) -> bool:
    """Tell whether the machine is where it is because of the trouble, as far as cycles show."""
    if case.condition == HALTED_OFF:
        soon = trouble.t + case.machine.at(SOON)
        return soon >= int(case.m.t) or bool(int(case.replayed(soon).m.halted))
    if trouble.mend is not None:
        return True  # the trial decides: the round may be longer than a window
    if trouble.again and not grows(case, slot, trouble.again):
        return False
    return trouble.waiting or bool(accesses(case, slot, case.last))


def grows(case: Case, slot: Slot, counter: str) -> bool:
    """Tell whether a counter of the card goes up when the program is left alone."""
    machine = case.machine
    before = int(getattr(slot.state, counter))
    with forked(machine):
        run_on(machine, int(machine.m.t) + machine.at(TRIAL))
        return int(getattr(slot.state, counter)) > before


def accesses(case: Case, slot: Slot, window: Window) -> list[int]:
    """Index the cycles of a window that reach a slot's ports."""
    rows = case.machine.description.slots[slot.number].ports
    cycles = [*window.where(IN), *window.where(OUT)]
    return sorted(int(k) for k in cycles
                  if any(int(window.address[k]) & row.mask == row.port for row in rows))


def interruption(case: Case, slot: Slot, t: int) -> tuple[str, str] | None:
    """Name the handler that ran between a card's last access and a T-state, and what it left."""
    window = case.before(t)
    moves = accesses(case, slot, window)
    since = moves[-1] if moves else 0
    entered = [k for kind in (ACK, NMI_FETCH) for k in window.where(kind) if k > since]
    if not entered:
        return None
    fetches = window.where(FETCH)
    before, behind = fetches[fetches < entered[0]], fetches[fetches > entered[0]]
    if not len(before) or not len(behind):
        return None
    return (case.names.at(int(window.address[behind[0]])),
            case.names.at(int(window.address[before[-1]])))


def _finding(case: Case, cause: Cause, slot: Slot, trouble: Trouble) -> Finding | None:
    extra: dict[str, str] = {}
    names = trouble.interrupted and interruption(case, slot, trouble.t)
    if trouble.interrupted and names:
        trouble = trouble.interrupted
        cause = next(c for c in slot.card.causes if c.code == trouble.code)
        extra = dict(zip(("handler", "left"), names, strict=True))
    evidence = [*trouble.evidence]
    strength = SHOWN
    if trouble.mend is not None and case.condition != HALTED_OFF:
        if not goes_on(case, slot, trouble, case.condition not in cause.when):
            return None
        strength = TRIED
        evidence.append("In a copy of the machine the remedy let the program go on.")
    if case.condition != HALTED_OFF and len(case.last.t):
        evidence.append("The loop is {loop}.")
    words = _Words(case, slot, trouble, **extra)
    return Finding(
        cause, HALTED if case.condition == HALTED_OFF else HUNG, words.fill(trouble.summary),
        [words.fill(text) for text in evidence], [words.fill(text) for text in trouble.remedy],
        {"slot": slot.name} | ({"pc": f"{trouble.pc:04X}"} if trouble.pc else {}), strength,
        trouble.t)


def told(case: Case, slot: Slot, trouble: Trouble) -> Finding | None:
    """Tell a trouble that shows by itself: nothing has to be tried."""
    cause = next(c for c in slot.card.causes if c.code == trouble.code)
    return _finding(case, cause, slot, replace(trouble, mend=None))


def goes_on(case: Case, slot: Slot, trouble: Trouble, says_more: bool) -> bool:
    """Mend the trouble in a copy: does code run that does not run otherwise?

    One that tries again and again runs other code at times by itself: ``says_more`` asks for text
    that does not come otherwise, too.
    """
    machine = case.machine
    assert trouble.mend is not None
    with forked(machine):
        said = shown(machine)
        before = activity(machine, machine.at(TRIAL)).code
        usual = shown(machine) - said
    with forked(machine):
        trouble.mend(machine.m, slot.state)
        after = activity(machine, machine.at(TRIAL)).code
        more = shown(machine) - said - usual
    return bool(after - before) and (not says_more or more >= MORE)


class _Words(dict[str, str]):
    """What stands for the names in braces; looked up when a text asks for it."""

    def __init__(self, case: Case, slot: Slot, trouble: Trouble, **extra: str) -> None:
        super().__init__(slot=slot.name, card=case.slot_words(slot.number), **extra)
        for row in case.machine.description.slots[slot.number].ports:
            name = slot.card.registers[row.register]
            self.setdefault(name, f"{row.port & 0xFF:02X}h ({name})")
        self._case, self._slot, self._trouble = case, slot, trouble

    def fill(self, text: str) -> str:
        """Put the words into a text."""
        return text.format_map(self)

    def __missing__(self, name: str) -> str:
        case = self._case
        if name == "loop":
            return case.loop()
        if name == "at":
            return case.names.at(self._trouble.pc)
        return self._writer() if name == "pc" else f"(register {name} is not decoded)"

    def _writer(self) -> str:
        """Name the instruction that wrote to the card last before the trouble."""
        window = self._case.before(min(self._trouble.t + 64, int(self._case.m.t)))
        writes = [k for k in accesses(self._case, self._slot, window) if window.kind[k] == OUT]
        if not writes:
            return "the code before it"
        starts = window.starts()
        return self._case.names.at(int(window.address[starts[starts < writes[-1]][-1]]))
