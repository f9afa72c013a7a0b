"""Causes in what RAM holds: noise that nobody has written over, or nothing of what was written.

A sound program does the same whatever its RAM comes up with.  So the run is done again with other
bytes there: when it then shows something else, the program works on noise.
"""
from __future__ import annotations

import numpy as np

from emu.card.cause import HALTED_OFF, WILD, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.causes.judging import (
    FAILED,
    SEVERAL,
    at_work,
    ended,
    healthy,
    led_to,
    tried_with,
    went_wild_before,
)
from emu.diagnosis.causes.stacks import ROM_SHADOW, UNSET_POINTER
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.chronicled import ASTRAY, chronicle
from emu.diagnosis.evidence.mapped import mapped_words
from emu.diagnosis.trials.mending import differs, helps, refilled, writable, zeroed
from emu.diagnosis.verdict import RUNAWAY, SHOWN, STATE, TRIED, Finding
from emu.machine.places import place

UNWRITTEN_RAM = Cause(
    "unwritten-ram", "Working on RAM that nobody has written",
    "It works on one power-on and not on the next; after a warm reset it may work.",
    "The program reads a variable before anything was written to it, a branch or an address hangs "
    "on what it read, and with other bytes there at power-on the same image does something else.",
    "Clear the variables (.bss) and copy the initialised data (.data) before the program starts, "
    "or set that variable where it is declared.", ("P5",))
SOON = 0.002  # seconds
MOST = 6  # reads of unwritten RAM that are tried one by one


def unwritten_ram(case: Case) -> Finding | None:
    """Check for a run that hangs on what RAM held at power-on."""
    story = chronicle(case)
    hung_on = story.of("noise-decides", "noise-points", "noise-jump", "noise-out")
    reads = story.of("unwritten-read")
    if at_work(case) or not hung_on or not reads or not len(story.noise()) or \
            went_wild_before(case, hung_on[0]):
        return None
    found = _with_other_noise(case, story.noise())
    if found is None:
        return None
    read = next((one for one in reversed(reads) if one.t <= hung_on[0].t), reads[0])
    for one in reads[:MOST]:
        alone = _with_other_noise(case, story.noise()[story.noise() == one.b])
        if alone is not None:
            read, found = one, alone
            break
    name = case.names.data(read.a)
    return Finding(
        UNWRITTEN_RAM, ended(case), f"{case.names.at(read.pc)} reads {name}, which nobody has "
        f"written: what happens hangs on what the RAM came up with.",
        [read.text, hung_on[0].text, led_to(case, hung_on[0])],
        [found, f"Clear or set {name} before it is read: see to it that the start-up clears the "
                f"variables and copies the initialised data."],
        {"address": f"{read.a:04X}"}, TRIED, read.t)


def _with_other_noise(case: Case, places: np.ndarray) -> str | None:
    """Say what the run does with other bytes in some places; None when it does the same."""
    cleared = zeroed(places)  # sound so far, it need not get any further
    otherwise = not case.text_wanted or case.condition == WILD  # else only the text is a proof
    words = differs(case, cleared) if healthy(case) else helps(case, cleared, otherwise)
    if words is not None:
        return f"Tried: {cleared.words}, {words}."
    for mend in (refilled(places, 1), refilled(places, 0xFF)) \
            if not case.text_wanted or case.condition == WILD else ():
        words = differs(case, mend)
        if words is not None:
            return f"Tried: {mend.words}, {words}."
    return None


def jump_through_noise(case: Case) -> Finding | None:
    """Check for a jump through a pointer that nobody set."""
    story = chronicle(case)
    found = story.of("noise-jump")
    if not found or went_wild_before(case, found[0]):
        return None
    one = found[0]
    if story.before(one.t, "push-lost"):
        return None
    if one.b and story.before(one.t, "page-under-stack"):
        return None  # a return, and the stack went away
    reads = story.before(one.t + 1, "unwritten-read")
    source = [reads[-1].text] if reads else []
    place = case.names.data(reads[-1].a) if reads else "a pointer in RAM"
    return Finding(
        UNSET_POINTER, RUNAWAY, f"{case.names.at(one.pc)} jumps through {place}, which nobody has "
        f"set, to {one.a:04X}h.", [*source, one.text, led_to(case, one)],
        [f"Set {place} before it is used; clear or copy the variables at the start."],
        {"address": f"{reads[-1].a:04X}"} if reads else {}, SHOWN, one.t)


def first_of_all(case: Case) -> Finding | None:
    """Tell of RAM noise that a branch, an address or an output hung on, where a text did not come,
    no rule was broken before, and nothing else is found.

    A byte that the program writes afterwards is none: it looked whether its record was good.
    """
    story = chronicle(case)
    hung_on = story.of("noise-decides", "noise-points", "noise-jump", "noise-out")
    reads = story.before(hung_on[0].t + 1, "unwritten-read") if hung_on else []
    if not case.text_wanted or not reads or went_wild_before(case, hung_on[0]) or \
            story.all[0].kind != "unwritten-read" or not case.unwritten(reads[-1].a) or \
            place(case.machine, reads[-1].a - 1, writing=True) < 0:  # a walk out of a ROM
        return None
    name = case.names.data(reads[-1].a)
    return Finding(
        UNWRITTEN_RAM, ended(case), f"{case.names.at(reads[-1].pc)} reads {name}, which nobody has "
        f"written, and the program goes by it; that is the first rule that was broken.",
        [reads[-1].text, hung_on[0].text, led_to(case, hung_on[0])],
        [f"Clear or set {name} before it is read: see to it that the start-up clears the variables "
         f"and copies the initialised data."], {"address": f"{reads[-1].a:04X}"}, STATE,
        reads[-1].t)


def address_from_noise(case: Case) -> Finding | None:
    """Check for an address taken from RAM that nobody has written, and a run that leaves its code
    right behind it."""
    story = chronicle(case)
    points, gone = story.of("noise-points"), story.of(*ASTRAY, "restart")
    if not points or not gone or went_wild_before(case, points[0]):
        return None
    one, soon = points[0], points[0].t + case.machine.at(SOON)
    reads = story.before(one.t + 1, "unwritten-read")
    if not reads or not one.t <= gone[0].t <= soon:
        return None
    name = case.names.data(reads[-1].a)
    return Finding(
        UNWRITTEN_RAM, ended(case), f"{case.names.at(one.pc)} takes an address from {name}, which "
        f"nobody has written, and the program leaves its code.",
        [reads[-1].text, one.text, gone[0].text],
        [f"Clear or set {name} before it is read: see to it that the start-up clears the variables "
         f"and copies the initialised data."], {"address": f"{reads[-1].a:04X}"}, SHOWN, one.t)


def read_only_variables(case: Case) -> Finding | None:
    """Check for variables that stand where nothing can be written."""
    writes = chronicle(case).of("rom-write")
    if not writes:
        return None
    low, high = min(one.a for one in writes), max(one.a for one in writes)
    mend = writable(low, high)
    tried = tried_with(case, mend)
    if tried is None and not case.text_wanted and not healthy(case) \
            and len({one.pc for one in writes}) >= SEVERAL:
        words = differs(case, mend)
        tried = words and f"Tried: {mend.words}, {words}."
    if tried is None:
        return None
    one = writes[0]
    return Finding(
        ROM_SHADOW, ended(case), f"{case.names.at(one.pc)} writes to {case.names.data(one.a)}, "
        f"which is read only: what it writes is lost.",
        [one.text, led_to(case, one), *mapped_words(case, one.a)],
        [tried, f"Link the variables to RAM ({low:04X}h is none), or switch RAM in there before "
                f"it is written to."], {"address": f"{one.a:04X}"}, TRIED, one.t)


CHECKS = (
    Check(jump_through_noise, UNSET_POINTER, (WILD, HALTED_OFF)),
    Check(address_from_noise, UNWRITTEN_RAM, (WILD, HALTED_OFF)),
    Check(unwritten_ram, UNWRITTEN_RAM, FAILED, trial=True),
    Check(read_only_variables, ROM_SHADOW, FAILED, trial=True),
)
LATE_CHECKS = (Check(first_of_all, UNWRITTEN_RAM, FAILED, trial=True, alone=True),)
