"""Causes at the page registers: never set, switched under the program, a handler paged out."""
from __future__ import annotations

from typing import Any

import numpy as np

from emu.bus.state import ACK, FETCH, OUT, READ
from emu.card.cause import BUSY, HALTED_OFF, STUCK, WILD, Cause
from emu.card.roles import PAGE_PULLED, PageWindow
from emu.diagnosis.case import Case
from emu.diagnosis.evidence.changed_bytes import Stretch, stretches
from emu.diagnosis.verdict import HUNG, RUNAWAY, SHOWN, Finding
from emu.machine.machine import Slot

UNSET_PAGE = Cause(
    "unset-page", "A page register that was never written",
    "It works after a warm reset and not from cold.",
    "Paging is on, the program runs or reads in a window, and nothing was ever written to that "
    "window's page register: it holds what it had at power-on.",
    "Write all page registers, then turn paging on.", ("B1",))
PULLED_PAGE = Cause(
    "pulled-page", "Code that switches the page it runs in", "It dies in the bank call.",
    "A page register is written by an instruction that stands in that very window; the next "
    "byte fetched comes from another page.",
    "Let code in memory that is never switched do it, or put the same code at the same place of "
    "every page.", ("B2",))
HANDLER_PAGED_OUT = Cause(
    "handler-paged-out", "An interrupt while its handler's page is out", "A rare crash.",
    "In the acknowledge the pointer, or the first byte of the handler, differs from what it was "
    "before, and a page register was written in between.",
    "DI while the page is out, or keep the table and the handlers' entries in memory that is "
    "never switched.", ("B5",))
FAILED = (HALTED_OFF, WILD, STUCK, BUSY)
SOON = 200  # instructions from the switch to the end


def _ending(case: Case) -> str:
    return RUNAWAY if case.condition in (WILD, BUSY) else HUNG


def _windows(case: Case) -> list[tuple[Slot, list[PageWindow]]]:
    """List the cards whose registers switch memory, each with its windows."""
    found = ((slot, slot.card.windows(case.m, slot.state)) for slot in case.machine.slots)
    return [(slot, windows) for slot, windows in found if windows]


def _register(case: Case, slot: Slot, port: int) -> str | None:
    """Give the register of a card that a port reaches."""
    for row in case.machine.description.slots[slot.number].ports:
        if port & row.mask & 0xFF == row.port & 0xFF:
            return slot.card.registers[row.register]
    return None


def _within(window: PageWindow, address: int) -> bool:
    return window.start <= address < window.start + window.size


def unset_page(case: Case) -> Finding | None:
    """Check for a window in use whose page register was never written."""
    for slot, windows in _windows(case):
        unset = _unset(case, slot, windows)
        for part in stretches(case) if unset else ():
            w = part.window
            at = w.address[part.starts]
            inside = np.any([(at >= u.start) & (at < u.start + u.size) for u in unset], axis=0)
            hits = part.starts[inside & (w.kind[part.starts] == FETCH)]
            if len(hits):
                k = int(hits[0])
                at = int(w.address[k])
                return _unset_finding(case, slot, next(u for u in unset if _within(u, at)),
                                      int(w.t[k]), f"the program ran at {at:04X}h")
    return None


def unset_at(case: Case, address: int, t: int, what: str) -> Finding | None:
    """Tell that an address lies in a window whose page register was never written."""
    return next((_unset_finding(case, slot, window, t, what) for slot, windows in _windows(case)
                 for window in _unset(case, slot, windows) if _within(window, address)), None)


def _unset(case: Case, slot: Slot, windows: list[PageWindow]) -> list[PageWindow]:
    """List the windows in use that show what their registers woke up with."""
    written = {_register(case, slot, p) for p in range(256) if int(case.m.port_writes[p])}
    return [w for w in windows if w.active and w.noise and w.register not in written]


def _unset_finding(case: Case, slot: Slot, unset: PageWindow, t: int, what: str) -> Finding:
    number = unset.start // unset.size
    port = case.port_of(slot, unset.register)
    who = case.slot_words(slot.number)
    return Finding(
        UNSET_PAGE, _ending(case), f"the page register of window {number} of {who} was never "
        f"written.",
        [f"At {case.time(t)} {what}, in window {number}; {who} shows page "
         f"{unset.page:02X}h there, what the latch held at power-on.",
         f"Port {port:02X}h was written {int(case.m.port_writes[port & 0xFF])} times in this run, "
         f"and paging is on."],
        [f"Write the page of window {number} to port {port:02X}h before paging is turned on."],
        {"window": number, "port": f"{port:02X}"}, SHOWN, t)


def pulled_page(case: Case) -> Finding | None:
    """Check for a page register written from its own window, shortly before the end."""
    for slot, windows in _windows(case):
        if not any(c.code == PAGE_PULLED for c in slot.card.complaints(case.m, slot.state)):
            continue
        for part in stretches(case):
            found = _pull(case, slot, windows, part)
            if found is not None:
                return found
    return None


def _pull(case: Case, slot: Slot, windows: list[PageWindow], part: Stretch) -> Finding | None:
    w = part.window
    for k in w.where(OUT)[::-1].tolist():
        register = _register(case, slot, int(w.address[k]) & 0xFF)
        if register is None or int(case.m.port_slot[int(w.address[k]) & 0xFF]) != slot.number:
            continue
        at = part.instruction(k)
        after = part.starts[part.starts > k]
        if not len(after):
            continue
        pc, following = int(w.address[at]), int(w.address[after[0]])
        own = next((x for x in windows if x.register == register and _within(x, following)), None)
        if own is None or len(after) > SOON and _known(case, w, after[:SOON]):
            return None
        number, who = own.start // own.size, case.slot_words(slot.number)
        byte, wanted = int(w.data[after[0]]), int(w.data[k])
        return Finding(
            PULLED_PAGE, _ending(case),
            f"{case.names.at(pc)} switches the page it runs in.",
            [f"At {case.time(int(w.t[k]))} {case.names.at(pc)} wrote {wanted:02X}h to port "
             f"{int(w.address[k]) & 0xFF:02X}h, the page register of window {number} of {who}, "
             f"in which it stands.",
             f"The next opcode, at {following:04X}h, is {byte:02X}h from page {wanted:02X}h."],
            [f"Let code in a window that is never switched write that register; {case.names.at(pc)}"
             f" is the place."],
            {"pc": f"{pc:04X}", "window": number}, SHOWN, int(w.t[k]))
    return None


def _known(case: Case, w: Any, after: np.ndarray) -> bool:
    """Tell whether the code behind a switch also runs later on: then it was meant."""
    return not set(w.address[after].tolist()) & (case.control.code | case.idle)


def handler_paged_out(case: Case) -> Finding | None:
    """Check for an acknowledge whose pointer or handler has another page before it."""
    cards = {slot.number for slot, _ in _windows(case)}
    for part in stretches(case) if cards else ():
        w = part.window
        acks = w.where(ACK).tolist()
        seen: dict[int, tuple[int, int, int]] = {}
        for k in acks:
            entry = _entry(part, k)
            if entry is None:
                continue
            pointer, target, byte = entry
            before = seen.get(pointer)
            if before is not None and before[1:] != (target, byte):
                return _out_finding(case, part, k, entry, before)
            seen.setdefault(pointer, (pointer, target, byte))
    return None


def _entry(part: Stretch, k: int) -> tuple[int, int, int] | None:
    """Give pointer address, handler address and first byte of the response at ``k``."""
    w = part.window
    reads = [j for j in range(k + 1, min(k + 7, len(w.kind))) if w.kind[j] == READ]
    after = part.starts[part.starts > k]
    if not len(after):
        return None
    first = int(w.data[after[0]])
    if len(reads) < 2 or reads[1] > after[0]:
        return int(w.address[after[0]]), int(w.address[after[0]]), first
    target = int(w.data[reads[0]]) | int(w.data[reads[1]]) << 8
    return int(w.address[reads[0]]), target, first


def _out_finding(case: Case, part: Stretch, k: int, now: tuple[int, int, int],
                 before: tuple[int, int, int]) -> Finding | None:
    w = part.window
    outs = [j for j in w.where(OUT).tolist() if j < k
            and int(case.m.port_slot[int(w.address[j]) & 0xFF]) in
            {slot.number for slot, _ in _windows(case)}]
    if not outs:
        return None
    switch = outs[-1]
    by = case.names.at(int(w.address[part.instruction(switch)]))
    same = now[1] == before[1]
    what = (f"the handler at {now[1]:04X}h began with {now[2]:02X}h and not {before[2]:02X}h"
            if same else f"the pointer at {now[0]:04X}h was {now[1]:04X}h and not {before[1]:04X}h")
    return Finding(
        HANDLER_PAGED_OUT, _ending(case),
        f"an interrupt came while the page of its handler at {before[1]:04X}h was out.",
        [f"At {case.time(int(w.t[k]))} the CPU took an interrupt, and {what}, as in the "
         f"interrupts before.",
         f"{by} had written {int(w.data[switch]):02X}h to port "
         f"{int(w.address[switch]) & 0xFF:02X}h, a page register, at "
         f"{case.time(int(w.t[switch]))}, with interrupts on."],
        [f"Put DI in front of the switch at {by} and EI behind the switch back, or move the "
         f"handler at {before[1]:04X}h to a window that is never switched."],
        {"handler": f"{before[1]:04X}"}, SHOWN, int(w.t[k]))
