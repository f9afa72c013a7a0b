"""Causes in the program itself: DI then HALT, and running away through FFh."""
from __future__ import annotations

import numpy as np

from emu.bus.state import READ, WRITE
from emu.card.cause import BUSY, HALTED_OFF, STUCK, WILD, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.causes.wild import STORM, noise, ways_into
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import look
from emu.diagnosis.evidence.own_end import ends_itself, idles, stops_with_message
from emu.diagnosis.trials.decision import Decision, decision_lines, empty_ports, way_in
from emu.diagnosis.trials.forks import halts_for_good, read_memory
from emu.diagnosis.trials.progress import TIGHT
from emu.diagnosis.verdict import HALTED, HUNG, RUNAWAY, STATE, TRIED, Finding
from emu.isa.opcodes import DI, HALT, RET
from emu.machine.address_names import Names

MASKED_HALT = Cause(
    "masked-halt", "HALT with interrupts off",
    "The machine stops dead, often with its HALT lamp lit.",
    "The CPU stands in HALT and its interrupt flip-flop IFF1 is 0, so no card can wake it; "
    "only RESET or NMI can.",
    "Put EI before the HALT if it is meant to wait for an interrupt, or look for what should "
    "have been reached instead of this HALT.", ("P1",), symptom=True)

STOPS_ITSELF = Cause(
    "stops-itself", "A loop that nothing leaves",
    "The machine stops, perhaps after a message.",
    "The foreground goes round in a loop without a branch out of it: the program stops there on "
    "purpose, because a test before it came out badly.",
    "Mend what the test before it looks at; the evidence says which and what it saw.", ("C3",),
    symptom=True)

RST38_STORM = Cause(
    "rst38-storm", "Running through FFh bytes",
    "The machine hangs or starts over again and again after it seemed to run.",
    "FFh is RST 38h, and FFh is what erased flash, empty sockets and an undriven bus with "
    "pull-ups read as. Each one pushes two bytes, so the stack walks down through memory.",
    "Find the jump that left the program; fill free ROM with HALT (76h) or a jump to a "
    "reporter, so that the next one stops where it went wrong.", ("I11",), symptom=True)


def masked_halt(case: Case) -> Finding | None:
    """Check for HALT that nothing can end."""
    m = case.m
    halt = (int(m.pc) - 1) & 0xFFFF
    if not (int(m.halted) and not int(m.iff1)) or ends_itself(case) or noise(case, {halt}) \
            or case.text_wanted and stops_with_message(case):
        return None
    evidence = [f"HALT at {case.names.at(halt)}; IFF1 = 0, IFF2 = {int(m.iff2)}, "
                f"mode {int(m.im)}."]
    evidence.append(_how_masked(case))
    found = case.once(way_in)
    evidence += decision_lines(case, found)
    said = case.session.console.last_line()
    if said:
        evidence.append(f"The console's last line: {said!r}.")
    asking = [case.slot_words(k) for k in range(int(m.slots)) if int(m.ip[k])]
    if asking:
        evidence.append(f"{', '.join(asking)} wants an interrupt that the CPU will not take.")
    if halts_for_good(case.machine):
        return Finding(
            MASKED_HALT, HALTED, f"the program stopped itself at {case.names.at(halt)}: HALT with "
            f"interrupts off, in a loop that leads back to it.", evidence,
            ["If this is the end it is meant to come to, nothing is to be mended: give a text "
             "that it shows at its end to --until, and that end counts as reached.",
             "If it marks an error, mend what led there; the console's last line may name it.",
             "If it is meant to wait for an interrupt, put EI in front of it."],
            {"halt": f"{halt:04X}", **_ports_fact(found)}, STATE)
    return Finding(
        MASKED_HALT, HALTED, f"the CPU halted at {case.names.at(halt)} with interrupts off.",
        evidence, [f"Put EI in front of the HALT at {case.names.at(halt)}, or remove the DI "
                   f"that precedes it; if the HALT marks an error, mend what led there."],
        {"halt": f"{halt:04X}", **_ports_fact(found)}, STATE)


def stops_itself(case: Case) -> Finding | None:
    """Check for a loop on purpose, and find the test that led there."""
    if case.waits or case.progress.region - case.control.code - case.idle:
        return None  # a longer round: its exits may lie where nobody looked
    if ends_itself(case) or idles(case):
        return None
    place = min(case.control.code, default=(int(case.m.pc) - int(case.m.halted)) & 0xFFFF)
    found = case.once(way_in)
    said = case.session.console.last_line()
    lines = decision_lines(case, found)
    return Finding(
        STOPS_ITSELF, HUNG,
        f"the program stopped itself in an endless loop at {case.names.at(place)}"
        + (f" after {said!r}." if said else "."),
        [f"The loop {case.loop()} has no branch that leads out of it.", *lines],
        [f"Mend what the test at {case.names.at(found.pc)} looks at." if found else
         f"See what leads to {case.names.at(place)}.",
         *(f"Fit the card that the program expects at port {port:02X}h."
           for port in empty_ports(found))],
        {"pc": f"{place:04X}", **_ports_fact(found)}, STATE if found is None else TRIED,
        None if found is None else found.t)


def ends_nowhere(case: Case) -> Finding | None:
    """Check for a loop without an exit where all keys were typed and the text does not come."""
    if not case.text_wanted or not case.progress.works or len(case.control.code) > TIGHT \
            or case.session.missed is not None or not case.session.asked \
            or any(read_memory(case.machine, a) == HALT for a in case.control.code):
        return None
    place = min(case.control.code, default=int(case.m.pc))
    return Finding(
        STOPS_ITSELF, HUNG, f"the foreground stays in an endless loop at {case.names.at(place)}; "
        f"only handlers run, and none of them can end it.",
        [f"The loop {case.loop()} has no branch that leads out of it."],
        ["If it is to wait for what a handler changes, let it look at that: a C compiler leaves a "
         "test out when the variable is not volatile."], {"pc": f"{place:04X}"}, STATE)


def _ports_fact(found: Decision | None) -> dict[str, list[str]]:
    ports = [f"{port:02X}" for port in empty_ports(found)]
    return {"ports": ports} if ports else {}


def _how_masked(case: Case) -> str:
    """Find where interrupts went off: run again and look at the flip-flop's last change."""
    m = case.m
    if int(m.ack_count) == 0 and int(m.nmi_count) == 0:
        seen = "No interrupt was ever accepted"
    else:
        seen = f"{int(m.ack_count)} interrupts and {int(m.nmi_count)} NMIs were accepted before"
    halt = (int(m.pc) - 1) & 0xFFFF
    before = [(halt - k) & 0xFFFF for k in range(1, 9)]
    di = next((a for a in before if read_memory(case.machine, a) == DI), None)
    if di is not None:
        return f"{seen}; a DI stands at {case.names.at(di)}."
    return f"{seen}."


def _executed_ffs(case: Case) -> np.ndarray:
    """Index the FFh opcodes in the case's window."""
    starts = case.last.starts()
    return np.asarray(starts[case.last.data[starts] == 0xFF])


def storms(case: Case) -> bool:
    """Tell whether the machine executes FFh after FFh."""
    return int(case.m.rst38_count) >= STORM and len(_executed_ffs(case)) >= STORM


def rst38_storm(case: Case) -> Finding | None:
    """Say how the program came to FFh."""
    if not storms(case):
        return None
    m, last, ffs = case.m, case.last, _executed_ffs(case)
    evidence = [*_first_ff(case), *ways_into(case, int(m.rst38_first_t))]
    places = sorted(set(last.address[ffs].tolist()))
    evidence.append(f"In the last 20 ms {len(ffs)} FFh bytes were executed, at "
                    f"{', '.join(case.names.at(a) for a in places[:4])}"
                    f"{' and more' if len(places) > 4 else ''}.")
    pushes = last.address[last.where(WRITE)]
    if len(pushes):
        evidence.append(f"SP stands at {int(m.sp):04X}h; the pushes run over "
                        f"{int(pushes.min()):04X}h to {int(pushes.max()):04X}h.")
    first = (int(m.rst38_first_pc) - 1) & 0xFFFF
    return Finding(
        RST38_STORM, RUNAWAY,
        f"the program ran into FFh bytes and repeats RST 38h; the first was at "
        f"{case.names.at(first)}.", evidence,
        [f"Mend the jump, return or bank switch that led to {case.names.at(first)} (shown "
         f"above); fill unused ROM with HALT (76h) or a jump to a reporter, and put a "
         f"reporter at 0038h.",
         *_empty_page_remedy(case, first)], {"first": f"{first:04X}"}, STATE,
        int(m.rst38_first_t))


def _empty_page_remedy(case: Case, address: int) -> list[str]:
    if int(case.m.owner[address >> 12]):
        return []
    return [f"No card answers at {address:04X}h: fit or map memory there if the program "
            f"expects it."]


def _first_ff(case: Case) -> list[str]:
    """Run again to just before the first FFh and say what led there."""
    t = int(case.m.rst38_first_t)
    replayed = case.session.replay(max(t - 400, 0))

    window = look(replayed, max(t + 1 - int(replayed.m.t), 1))
    names = Names(replayed)
    starts = window.starts()
    starts = starts[window.t[starts] < t]
    path = [names.at(int(window.address[k])) for k in starts[-4:]]
    first = (int(case.m.rst38_first_pc) - 1) & 0xFFFF
    reads = window.where(READ)
    page = int(replayed.m.owner[first >> 12])
    source = "no card answers there" if page == 0 else f"slot {replayed.slots[page - 1].name}"
    out = [f"The first FFh was executed at {names.at(first)} ({source}) after "
           f"{case.time(t)}; the instructions before it: {' > '.join(path)}."]
    if len(reads) and len(starts) > 1 and int(window.data[starts[-2]]) == RET:
        out.append("It was reached by a RET whose return address had been lost.")
    return out


LATE_CHECKS = (Check(ends_nowhere, STOPS_ITSELF, (BUSY, STUCK), trial=True, alone=True),)
CHECKS = (Check(masked_halt, MASKED_HALT, (HALTED_OFF,)),
          Check(stops_itself, STOPS_ITSELF, (STUCK,), trial=True),
          Check(rst38_storm, RST38_STORM, (WILD,)))
