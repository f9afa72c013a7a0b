"""Causes in the use of memory: stacks in ROM or paged out, tables overrun, ROM in the way."""
from __future__ import annotations

import numpy as np

from emu.bus.state import ACK, CALL, FETCH, NOBODY, READ, SEVERAL, WRITE
from emu.card.cause import BUSY, WILD, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.causes.pages import unset_at
from emu.diagnosis.evidence.bus_window import Window
from emu.diagnosis.evidence.changed_bytes import Loss, Stretch, losses, remapped, stretches
from emu.diagnosis.evidence.mapped import mapped_words
from emu.diagnosis.verdict import HUNG, RUNAWAY, SHOWN, Finding
from emu.isa.opcodes import DD, ED, ED_LD_SP_FROM_NN, FD, JP_HL, LD_SP_HL, LD_SP_NN
from emu.machine.places import place

STACK_IN_ROM = Cause(
    "stack-in-rom", "The stack stands where nothing can be written",
    "It returns to nonsense, or starts again and again.",
    "A push goes to an address that is ROM or empty; the pop takes another value.",
    "Set SP to RAM that is always mapped, before the first CALL and before EI.", ("B3",))
STACK_PAGED_OUT = Cause(
    "stack-paged-out", "The stack's page is switched away",
    "It dies in a routine that switches pages.",
    "Between a push and its pop a page register is written, and the pop takes a byte of "
    "another page.",
    "Put the stack into memory that is never switched, or switch it with care.", ("B3",))
STACK_OVERRUN = Cause(
    "stack-overrun", "The stack runs into the vector table or into code",
    "It hangs or goes wild after deep nesting.",
    "A push writes over a pointer of the vector table, and the next interrupt goes where those "
    "bytes say.",
    "Give the stack more room, and put guard bytes between it and the table.", ("B4",))
ROM_SHADOW = Cause(
    "rom-shadow", "Written to RAM that stands behind a ROM",
    "What is stored in low memory vanishes.",
    "A byte is written, and when it is fetched or waited for the ROM answers at that address.",
    "Switch the ROM out by code in high RAM before, or let writes reach the RAM under it.",
    ("B6",))
UNSET_POINTER = Cause(
    "unset-pointer", "A jump through a pointer that nobody set",
    "It runs wild, and each time in another way.",
    "JP (HL), or its kin, goes to an address that was read from RAM which nothing has written "
    "since power-on.",
    "Set the pointer before it is used; clear variables at the start.", ("P5",))
MOST_JUMPS = 400  # looked at in a stretch


def _ending(case: Case) -> str:
    return RUNAWAY if case.condition in (WILD, BUSY) else HUNG


def _owner(case: Case, address: int) -> str:
    slot = int(case.m.owner[address >> 12]) - 1
    return case.slot_words(slot) if slot >= 0 else "no card"


def _was(loss: Loss) -> tuple[str, int, int]:
    """Give who wrote, what, and what came back."""
    w = loss.stretch.window
    return f"{int(w.address[loss.stretch.instruction(loss.write)]):04X}", \
        int(w.data[loss.write]), int(w.data[loss.read])


def stack(case: Case) -> Finding | None:
    """Check for a return address that did not come back as it was pushed: the first one."""
    found = [loss for part in stretches(case) for loss in losses(part)
             if part.pushes(loss.write) and part.pops(loss.read)]
    for loss in sorted(found, key=lambda loss: loss.t):
        switched = remapped(case, loss)
        if switched is not None and _other_stack(loss, switched):
            continue
        if switched is not None:
            return _paged_out(case, loss, switched)
        if not takes(case, loss.address >> 12):
            return unset_at(case, loss.address, loss.t, f"a return address was to come from the "
                            f"stack at {loss.address:04X}h") or _in_rom(case, loss)
    return None


def _other_stack(loss: Loss, switched: int) -> bool:
    """Tell whether SP was loaded between the switch and the pop: a task's own stack is taken with
    its page."""
    w = loss.stretch.window
    begun = w.starts()
    begun = begun[(begun > switched) & (begun < loss.read)]
    first, second = w.data[begun], w.data[np.minimum(begun + 1, len(w.data) - 1)]
    return bool((np.isin(first, (LD_SP_HL, LD_SP_NN))
                 | (first == ED) & (second == ED_LD_SP_FROM_NN)
                 | np.isin(first, (DD, FD)) & (second == LD_SP_HL)).any())


def _in_rom(case: Case, loss: Loss) -> Finding:
    writer, put, took = _was(loss)
    w = loss.stretch.window
    floats = int(w.driver[loss.read]) == NOBODY
    what = "no memory answers there" if floats else f"{_owner(case, loss.address)} holds ROM there"
    begin = case.names.at(int(writer, 16))
    return Finding(
        STACK_IN_ROM, _ending(case), f"the stack at {loss.address:04X}h cannot be written.",
        [f"{begin} pushed {put:02X}h to {loss.address:04X}h, and at {case.time(loss.t)} "
         f"{took:02X}h was popped: {what}.",
         f"SP is {int(case.m.sp):04X}h now.", *mapped_words(case, loss.address)],
        ["Set SP to RAM before the first CALL, PUSH or interrupt; on this machine RAM stands at "
         + _ram(case) + "."], {"address": f"{loss.address:04X}"}, SHOWN, loss.t)


def takes(case: Case, page: int) -> bool:
    """Tell whether something takes what is written to a page, be it through a card's function."""
    base = int(case.m.write_base_true[page])
    return base >= 0 or base in (CALL, SEVERAL)


def _ram(case: Case) -> str:
    pages = [p for p in range(16) if takes(case, p)]
    if not pages:
        return "no address"
    return f"{pages[0]:X}000h to {pages[-1]:X}FFFh" if pages[-1] - pages[0] == len(pages) - 1 \
        else ", ".join(f"{p:X}000h" for p in pages)


def keep_in_place(by: str) -> str:
    """Advise on a stack whose page ``by`` switches away."""
    return ("Set SP to a window that is never switched, at the latest before the call of a routine "
            f"that switches; {by} is where the page goes.")


def _paged_out(case: Case, loss: Loss, switched: int) -> Finding:
    writer, put, took = _was(loss)
    w = loss.stretch.window
    by = case.names.at(int(w.address[loss.stretch.instruction(switched)]))
    port = int(w.address[switched]) & 0xFF
    reader = case.names.at(int(w.address[loss.stretch.instruction(loss.read)]))
    return Finding(
        STACK_PAGED_OUT, _ending(case),
        f"the page of the stack at {loss.address:04X}h is switched away by {by}.",
        [f"{case.names.at(int(writer, 16))} pushed {put:02X}h to {loss.address:04X}h.",
         f"{by} wrote {int(w.data[switched]):02X}h to port {port:02X}h, a register of "
         f"{case.slot_words(int(case.m.port_slot[port]))}.",
         f"At {case.time(loss.t)} {reader} popped {took:02X}h from there: another page."],
        [keep_in_place(by)],
        {"address": f"{loss.address:04X}", "port": f"{port:02X}"}, SHOWN, loss.t)


def stack_overrun(case: Case) -> Finding | None:
    """Check for an interrupt's pointer whose bytes are those of a push."""
    found = [finding for part in stretches(case) for finding in _overruns(case, part)]
    return min(found, key=lambda finding: finding.t or 0, default=None)


def _overruns(case: Case, part: Stretch) -> list[Finding]:
    w = part.window
    for k in w.where(ACK).tolist():
        reads = [j for j in range(k + 1, min(k + 7, len(w.kind))) if w.kind[j] == READ]
        if len(reads) < 2 or int(w.address[reads[1]]) != int(w.address[reads[0]]) + 1:
            continue
        push = _pushed_pointer(part, k, reads)
        if push is not None:
            return [_overrun(case, part, k, reads, push)]
    return []


def _pushed_pointer(part: Stretch, k: int, reads: list[int]) -> int | None:
    """Give the push that wrote a byte of the pointer read behind acknowledge ``k``."""
    w = part.window
    for j in reads[:2]:
        writes = np.nonzero((w.kind[:k] == WRITE) & (w.address[:k] == w.address[j]))[0]
        if len(writes) and part.pushes(int(writes[-1])):
            return int(writes[-1])
    return None


def _overrun(case: Case, part: Stretch, k: int, reads: list[int], push: int) -> Finding:
    w = part.window
    pointer = int(w.address[reads[0]])
    target = int(w.data[reads[0]]) | int(w.data[reads[1]]) << 8
    by = case.names.at(int(w.address[part.instruction(push)]))
    return Finding(
        STACK_OVERRUN, _ending(case),
        f"the stack has run into the vector table: {by} pushed over the pointer at "
        f"{pointer:04X}h.",
        [f"At {case.time(int(w.t[push]))} {by} pushed {int(w.data[push]):02X}h to "
         f"{int(w.address[push]):04X}h, inside the table at {pointer & 0xFF00:04X}h.",
         f"At {case.time(int(w.t[k]))} an interrupt took its pointer from {pointer:04X}h and "
         f"went to {case.names.at(target)}."],
        [f"Give the stack more room or move it away from the table at {pointer & 0xFF00:04X}h; "
         f"look at the depth of the calls around {by}."],
        {"pointer": f"{pointer:04X}", "target": f"{target:04X}"}, SHOWN, int(w.t[push]))


def rom_shadow(case: Case) -> Finding | None:
    """Check for a byte that was written, and that the ROM gave instead when it mattered."""
    waited = {load.address for wait in case.waits for load in wait.memory()}
    for part in stretches(case):
        w = part.window
        for loss in losses(part):
            fetched = int(w.kind[loss.read]) == FETCH
            if not (fetched or loss.address in waited) or remapped(case, loss) is not None:
                continue
            if place(case.machine, loss.address, True) >= 0:
                continue
            writer, put, took = _was(loss)
            who, at = _owner(case, loss.address), loss.address
            return Finding(
                ROM_SHADOW, _ending(case),
                f"{at:04X}h is {'executed' if fetched else 'waited for'} as RAM, and ROM stands "
                f"there.",
                [f"{case.names.at(int(writer, 16))} wrote {put:02X}h to {at:04X}h; at "
                 f"{case.time(loss.t)} {took:02X}h was {'fetched' if fetched else 'read'} there "
                 f"from the ROM of {who}.",
                 f"{int(case.m.rom_writes)} writes of this run went to ROM.",
                 *mapped_words(case, at)],
                [f"Switch the ROM of {who} out before {at:04X}h is used (by code in RAM), set "
                 f"write-under if the RAM is to take the writes, or use RAM at {_ram(case)}."],
                {"address": f"{at:04X}"}, SHOWN, loss.t)
    return None


def unset_pointer(case: Case) -> Finding | None:
    """Check for a jump whose target came from RAM that was never written."""
    for part in stretches(case):
        w = part.window
        jumps = part.starts[np.isin(w.data[part.starts], (JP_HL, DD, FD))
                            & (w.kind[part.starts] == FETCH)]
        for k in jumps[:MOST_JUMPS].tolist():
            at = _pointer(part, k)
            if at is not None and not _stored(w, at, k) and _noise(case, at, int(w.t[0])):
                return _unset_finding(case, part, k, at)
    return None


def _pointer(part: Stretch, k: int) -> int | None:
    """Give where the target of JP (HL), (IX) or (IY) at cycle ``k`` was read just before."""
    w = part.window
    after = part.starts[part.starts > k]
    if part.opcode(k)[1] != JP_HL or not len(after):
        return None
    reads = [j for j in range(max(k - 8, 0), k) if w.kind[j] == READ][-2:]
    if len(reads) < 2:
        return None
    low, high = reads
    target = int(w.data[low]) | int(w.data[high]) << 8
    neighbours = int(w.address[high]) == int(w.address[low]) + 1
    return int(w.address[low]) if neighbours and target == int(w.address[after[0]]) else None


def _noise(case: Case, address: int, t: int) -> bool:
    """Tell whether RAM at an address holds at T-state ``t`` what it held at power-on."""
    then = case.session.replay(t)
    at = place(then, address, True)
    return at >= 0 and bool(then.m.phys[at] == case.session.replay(0).m.phys[at])


def _stored(w: Window, address: int, before: int) -> bool:
    """Tell whether the stretch writes to an address before a cycle."""
    return bool(((w.kind[:before] == WRITE) & (w.address[:before] == address)).any())


def _unset_finding(case: Case, part: Stretch, k: int, at: int) -> Finding:
    w = part.window
    target = int(w.address[part.starts[part.starts > k][0]])
    jump = case.names.at(int(w.address[k]))
    return Finding(
        UNSET_POINTER, _ending(case), f"{jump} jumps through {case.names.data(at)}, which nobody "
        f"has set.",
        [f"At {case.time(int(w.t[k]))} {jump} went to {target:04X}h, read from "
         f"{case.names.data(at)}.",
         f"Nothing has written {at:04X}h since power-on; RAM holds anything then."],
        [f"Store an address in {case.names.data(at)} before {jump} runs, or look why the code "
         f"that does has not run."], {"pointer": f"{at:04X}", "pc": f"{int(w.address[k]):04X}"},
        SHOWN, int(w.t[k]))
