"""Vectors and tables that are wrong in a way that shows in the text: another page in I, a pointer
that was written over, or a vector byte that went where the chip takes none."""
from __future__ import annotations

import numpy as np

from emu.card.roles import VECTOR_ASTRAY
from emu.chronicle.shadow import WRITTEN
from emu.diagnosis.case import Case
from emu.diagnosis.causes.first_anomaly import OVERWRITTEN
from emu.diagnosis.causes.interrupt_path import BAD_VECTOR
from emu.diagnosis.causes.judging import FAILED, ended, healthy, tried_with
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.chronicled import chronicle
from emu.diagnosis.evidence.run_again import last_write
from emu.diagnosis.evidence.vectors import everywhere, looks_like_handler, tables, visible
from emu.diagnosis.trials.forks import read_word
from emu.diagnosis.trials.mending import Mend, write_undone
from emu.diagnosis.verdict import SHOWN, TRIED, Finding
from emu.isa.opcodes import ED
from emu.machine.machine import Machine
from emu.machine.places import place

MOST = 4  # pages, or pointers, that are tried
MOST_HANDLERS = 8
LD_I_A = 0x47  # behind ED


def vector_astray(case: Case) -> Finding | None:
    """Check for a card that was answered, and whose vector was written where it takes none."""
    if healthy(case):
        return None
    for slot in case.machine.slots:
        if not int(case.m.int_count[slot.number]):
            continue
        for c in slot.card.complaints(case.m, slot.state):
            if c.code == VECTOR_ASTRAY:
                port = case.port_of(slot, c.register)
                return Finding(
                    BAD_VECTOR, ended(case), f"the vector of {case.slot_words(slot.number)} was "
                    f"written to another of its registers, which takes none.",
                    [f"{slot.name}: {line}." for line in slot.card.describe(case.m, slot.state)],
                    [f"Write the vector of {slot.name} to port {port & 0xFF:02X}h "
                     f"({c.register})."],
                    {"slot": slot.name, "port": f"{port & 0xFF:02X}"}, SHOWN)
    return None


def other_page(case: Case) -> Finding | None:
    """Check for an I register that names another page than the vector table's."""
    if not case.text_wanted or int(case.m.im) != 2:
        return None
    now = int(case.m.i)
    for page, _ in tables(case.machine)[:MOST]:
        if page == now or not _put_there(case, page):
            continue
        tried = tried_with(case, page_in_i(case.machine, page))
        if tried is not None:
            return Finding(
                BAD_VECTOR, ended(case), f"the I register is {now:02X}h, but the vector table "
                f"stands at {page:02X}00h.",
                [f"{int(case.m.vector_count.sum())} interrupts took their pointers from page "
                 f"{now:02X}h."], [tried, f"Load I with {page:02X}h before EI."],
                {"i": f"{now:02X}", "table": f"{page:02X}"}, TRIED)
    return None


def table_elsewhere(case: Case) -> Finding | None:
    """Check for a pointer that the CPU takes from where no table stands: it begins at another byte
    of the page, or in another page."""
    if not case.text_wanted or int(case.m.im) != 2:
        return None
    machine, page = case.machine, int(case.m.i) << 8
    words = everywhere(machine)
    for vector in np.nonzero(np.asarray(case.m.vector_count))[0].tolist()[:MOST]:
        wrong = read_word(machine, page | vector)
        if looks_like_handler(machine, wrong):
            continue
        for handler, stands in list(words.items())[:MOST_HANDLERS]:
            tried = tried_with(case, _pointer(case, page | vector, handler))
            if tried is None:
                continue
            names = case.names
            return Finding(
                BAD_VECTOR, ended(case), f"vector {vector:02X}h takes its pointer from "
                f"{names.data(page | vector)}, which leads to {wrong:04X}h and not to "
                f"{names.at(handler)}.",
                [f"A pointer to {names.at(handler)} stands at {names.data(stands)}: a vector names "
                 f"a byte of the page in I ({page >> 8:02X}h), so the table has to begin where "
                 f"that page does."],
                [tried, f"Align the table to a page (its address ends in 00h), or give vectors "
                        f"that count from {stands & 0xFF:02X}h on."],
                {"vector": f"{vector:02X}", "handler": f"{handler:04X}"}, TRIED)
    return None


def _pointer(case: Case, address: int, handler: int) -> Mend:
    places = [place(case.machine, address), place(case.machine, address + 1)]

    def power_on(machine: Machine) -> None:
        if min(places) >= 0:
            machine.m.phys[places] = [handler & 0xFF, handler >> 8]

    return Mend(f"with the pointer at {address:04X}h to {case.names.at(handler)}",
                power_on=power_on)


def _put_there(case: Case, page: int) -> bool:
    """Tell whether anything was put into a page, by the program or before it: noise is no table."""
    at = place(case.machine, page << 8)
    flags = np.asarray(chronicle(case).machine.shadow.byte)[at:at + 0x100]
    return at >= 0 and bool((flags & WRITTEN).any())


def page_in_i(machine: Machine, page: int) -> Mend:
    """Let I hold a page from power-on, whatever the program loads into it."""

    def put(changed: Machine) -> None:
        changed.m.i = page

    memory = visible(machine)
    loads = np.nonzero((memory[:-1] == ED) & (memory[1:] == LD_I_A))[0][:MOST * 2]
    return Mend(f"with {page:02X}h in I", {int(at) + 2: put for at in loads}, power_on=put)


def pointer_written_over(case: Case) -> Finding | None:
    """Check for a pointer of the table that was written twice: is the first one the right one?"""
    if not case.text_wanted or int(case.m.im) != 2:
        return None
    vectors = np.nonzero(np.asarray(case.m.vector_count))[0].tolist()
    for vector in vectors[:MOST]:
        address = int(case.m.i) << 8 | vector
        written = last_write(case.session, address)
        if written is None or written.times < 2:
            continue
        tried = tried_with(case, write_undone(written.pc, address, word=True))
        if tried is not None:
            names = case.names
            return Finding(
                OVERWRITTEN, ended(case), f"{names.at(written.pc)} writes over the pointer of "
                f"vector {vector:02X}h at {address:04X}h, which was right before.",
                [f"That pointer was written {written.times} times, the last time at "
                 f"{case.time(written.t)} by {names.at(written.pc)}."],
                [tried, f"Fill the table before the pointers are put in, not behind: see what "
                        f"calls {names.at(written.pc)}."],
                {"address": f"{address:04X}", "vector": f"{vector:02X}"}, TRIED, written.t)
    return None


CHECKS = (Check(vector_astray, BAD_VECTOR, FAILED),
          Check(other_page, BAD_VECTOR, FAILED, trial=True),
          Check(table_elsewhere, BAD_VECTOR, FAILED, trial=True),
          Check(pointer_written_over, OVERWRITTEN, FAILED, trial=True))
