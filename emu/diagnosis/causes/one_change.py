"""One wrong byte, register or constant of a program: with another one the text comes.

Every trial runs the whole program again with one change and asks whether the text comes that is
missing; where none was asked for, whether a dead run goes on to show a line more.  Where that hangs
on when its interrupts come, such a change would prove nothing, and none is made.
"""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from emu.card.cause import Cause
from emu.card.roles import DATA
from emu.diagnosis.case import Case
from emu.diagnosis.causes.first_anomaly import MORE_ROOM
from emu.diagnosis.causes.handlers import CLOBBERED
from emu.diagnosis.causes.judging import FAILED, ended, tried_with
from emu.diagnosis.causes.pages import PULLED_PAGE
from emu.diagnosis.causes.sections import asked, hangs_on_moments
from emu.diagnosis.causes.stacks import STACK_OVERRUN
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.chronicled import chronicle
from emu.diagnosis.evidence.executed import Code, code_of, instructions, routine_of, routines
from emu.diagnosis.trials.edits import (
    GROUPS,
    bits_turned,
    kept,
    kept_through_switch,
    outgoing,
    pages_put_back,
    patched,
    stack_at,
)
from emu.diagnosis.trials.mending import Mend, completes, finishes, in_step, mended
from emu.diagnosis.verdict import TRIED, Finding
from emu.isa.opcodes import (
    DD,
    ED,
    ED_LD_SP_FROM_NN,
    ED_REPEATS,
    ED_RETURNS,
    FD,
    JP,
    JP_HL,
    JR,
    LD_SP_HL,
    LD_SP_NN,
    OUT_BLOCK,
    OUT_C_R,
    OUT_N_A,
    RET,
)
from emu.machine.machine import Machine
from emu.machine.places import places

CONTROL_BYTE = Cause(
    "control-byte", "A byte to a card's register with one bit wrong",
    "A card does half of what it should: one direction, one channel, the first character only.",
    "With one bit of one byte that the program writes to a register turned, the same image shows "
    "its text.",
    "Look that byte up in the data sheet, bit by bit.")

SWITCH_LOSES = Cause(
    "switch-loses-register", "A change of tasks that does not keep every register",
    "One task alone works; two together spoil each other's values.",
    "With a register given back to each task when it goes on, the same image shows its text.",
    "Push that register where the task gives way, and pop it where it goes on.")

WRONG_CONSTANT = Cause(
    "off-by-one", "A block move of one byte too many or too few",
    "The last byte of a copy is missing, or what stands behind a table is spoilt.",
    "With the count of that block move one more, or one less, the same image shows its text.",
    "Count again what is moved: entries, or the last index; bytes, or words.")

LEAVES = (RET, JP, JP_HL, JR)  # what ends a straight run of code
MOST_ROUTINES = 80
MOST_BYTES = 48  # bytes to registers of which every bit is turned
MOST_WRITES = 40  # of one byte by one instruction in a run: more are no setting-up
TO_THE_RETURN = 64  # bytes behind a change of the stack in which its return stands
ROOM = 0x100  # bytes of RAM that nobody used, for another stack
COUNTS = ((0x01, 2), (0x06, 1))  # LD BC,nn and LD B,n: opcode, bytes of the count
SOON_BEHIND = 16  # bytes


def switch_loses(case: Case) -> Finding | None:
    """Check for a change of tasks that loses a register."""
    if not asked(case):
        return None
    for entry, at, ends in _switches(case):
        for group in GROUPS:
            if case.budget.left() <= 0:
                return None
            name = case.names.at(entry)
            tried = tried_with(case, kept_through_switch(
                entry, ends, group, f"with {group[0]} kept for each task through {name}"),
                finishes)
            if tried is not None:
                return Finding(
                    SWITCH_LOSES, ended(case), f"{name} changes tasks and does not keep "
                    f"{group[0]}.", [f"It changes the stack at {case.names.at(at)}."],
                    [tried, f"Save {group[0]} on the stack of the task that gives way, in {name}, "
                            f"and take it back where a task goes on."],
                    {"routine": f"{entry:04X}", "registers": group[0]}, TRIED)
    return None


def _switches(case: Case) -> Iterator[tuple[int, int, list[int]]]:
    """List where the stack is changed: routine, instruction, the returns behind it."""
    code = code_of(case)
    sites = [at for codes in ((LD_SP_HL,), (ED, ED_LD_SP_FROM_NN), (DD, LD_SP_HL), (FD, LD_SP_HL))
             for at in code.find(*codes)]
    for at in instructions(case, sorted(set(sites))):
        ends = [k for k in range(at + 1, min(at + TO_THE_RETURN, 0xFFFF)) if code.ran[k] and (
            code.byte[k] in LEAVES or code.byte[k] == ED and ED_RETURNS[code.byte[k + 1]])]
        for entry in dict.fromkeys((routine_of(case, at), _begins(code, at)) if ends else ()):
            if entry is not None:
                yield entry, at, instructions(case, ends)[:2]


def _begins(code: Code, address: int) -> int:
    """Give where the straight run of code begins that comes to an address: behind the last jump or
    return before it."""
    for at in range(address - 1, max(address - TO_THE_RETURN, 0), -1):
        if code.byte[at] in (RET, JP_HL) or not code.ran[at]:
            return at + 1
        if code.byte[at] == JR and code.ran[at + 1] and at + 2 <= address:
            return at + 2
        if code.byte[at] == JP and code.ran[at + 1] and at + 3 <= address:
            return at + 3
    return address


def spoilt_by_routine(case: Case) -> Finding | None:
    """Check for a routine that spoils a register which its caller goes on to use."""
    if case.session.until is None or not asked(case) or hangs_on_moments(case):
        return None
    for routine in routines(case)[:MOST_ROUTINES]:
        name = case.names.at(routine)
        for group in GROUPS:
            if case.budget.left() <= 0:
                return None
            tried = tried_with(case, kept(routine, group, f"with {group[0]} kept in {name}"),
                               completes)
            if tried is not None:
                return Finding(
                    CLOBBERED, ended(case), f"{name} changes {group[0]}, which its caller still "
                    f"needs.",
                    [f"It comes back with another {group[0]} than it was called with."],
                    [tried, f"Push {group[0]} at the beginning of {name} and pop it on each way "
                            f"out, or let the caller keep it."],
                    {"routine": f"{routine:04X}", "registers": group[0]}, TRIED)
    return None


def page_left(case: Case) -> Finding | None:
    """Check for a routine that switches a page and comes back without putting it back."""
    pages = [w for slot in case.machine.slots for w in slot.card.windows(case.m, slot.state)]
    if not asked(case) or not pages or hangs_on_moments(case):
        return None
    for routine in routines(case)[:MOST_ROUTINES]:
        if case.budget.left() <= 0:
            return None
        name = case.names.at(routine)
        tried = tried_with(case, pages_put_back(routine, f"with the pages put back by {name}"),
                           completes)
        if tried is not None:
            return Finding(
                PULLED_PAGE, ended(case), f"{name} switches a page and does not put it back.", [],
                [tried, f"Put back, on every way out of {name}, the page that was there when it "
                        f"was called."], {"routine": f"{routine:04X}"}, TRIED)
    return None


def stack_elsewhere(case: Case) -> Finding | None:
    """Check for a stack that has too little room where it stands."""
    if not asked(case) or hangs_on_moments(case):
        return None
    code = code_of(case)
    for at in instructions(case, code.find(LD_SP_NN)):
        for top in _free_tops(case):
            if case.budget.left() <= 0:
                return None
            tried = tried_with(case, stack_at(at, top, f"with the stack at {top:04X}h"), finishes)
            if tried is not None:
                was = code.word(at + 1)
                return Finding(
                    STACK_OVERRUN, ended(case), f"the stack that {case.names.at(at)} sets to "
                    f"{case.names.data(was)} has no room there.",
                    [f"No byte of the {ROOM:X}h below {top:04X}h was used in the run."],
                    [tried, MORE_ROOM], {"address": f"{was:04X}", "pc": f"{at:04X}"}, TRIED)
    return None


def _free_tops(case: Case) -> list[int]:
    """List ends of stretches of RAM that the run has not used, two at most."""
    machine = chronicle(case).machine
    ram = places(machine, writing=True)
    used = np.asarray(machine.shadow.byte) != 0
    tops = []
    for page in range(15, -1, -1):
        for low in range((page << 12) + 0x1000 - ROOM, (page << 12) - 1, -ROOM):
            at = int(ram[low])
            if at >= 0 and not used[at:at + ROOM].any():
                tops.append(low + ROOM & 0xFFFF)
                break
    return tops[:2]


@dataclass(frozen=True)
class Written:
    """A byte that went to a register of a card."""

    pc: int
    port: int
    value: int


def control_byte(case: Case) -> Finding | None:
    """Check for a byte to a register of which one bit is wrong."""
    if case.session.until is None or not asked(case) or hangs_on_moments(case):
        return None
    for one in settings(case)[:MOST_BYTES]:
        for bit in range(8):
            if case.budget.left() <= 0:
                return None
            now, then = one.value, one.value ^ 1 << bit
            tried = tried_with(case, bits_turned(
                one.pc, now, 1 << bit, f"with {then:02X}h in place of {now:02X}h to port "
                f"{one.port:02X}h at {case.names.at(one.pc)}"), in_step)
            if tried is not None:
                return _control_finding(case, one, bit, tried)
    return None


def _control_finding(case: Case, one: Written, bit: int, tried: str) -> Finding:
    number = int(case.m.port_slot[one.port])
    slot = case.machine.slots[number]
    register = slot.card.registers[int(case.m.port_reg[one.port])]
    what = f"bit {bit} of the byte {one.value:02X}h"
    return Finding(
        CONTROL_BYTE, ended(case), f"{case.names.at(one.pc)} writes {one.value:02X}h to port "
        f"{one.port:02X}h ({register} of {case.slot_words(number)}), and bit {bit} is wrong.",
        [f"{slot.name}: {line}." for line in slot.card.describe(case.m, slot.state)],
        [tried, f"Look up {what} that goes to {register} of {slot.name}: it should be "
                f"{1 - (one.value >> bit & 1)} here."],
        {"slot": slot.name, "port": f"{one.port:02X}", "pc": f"{one.pc:04X}", "bit": bit}, TRIED)


def settings(case: Case) -> list[Written]:
    """List the bytes that the program writes to registers other than those for data."""
    code = code_of(case)
    sites = [at for at in code.find(OUT_N_A) if _sets_up(case, int(code.byte[(at + 1) & 0xFFFF]))]
    for second in (*OUT_C_R, *OUT_BLOCK):
        sites += code.find(ED, second)
    seen: dict[Written, int] = {}

    def note(machine: Machine) -> None:
        given = outgoing(machine)
        if given is not None and _sets_up(case, given.port & 0xFF):
            one = Written(int(machine.m.pc), given.port & 0xFF, given.value)
            seen[one] = seen.get(one, 0) + 1

    mended(case, Mend("", dict.fromkeys(sites, note)))
    return [one for one, times in seen.items() if times <= MOST_WRITES]


def _sets_up(case: Case, port: int) -> bool:
    number = int(case.m.port_slot[port])
    if number < 0:
        return False
    card = case.machine.slots[number].card
    return not card.has_kind(card.registers[int(case.m.port_reg[port])], DATA) or \
        "memory" in card.functions


def off_by_one(case: Case) -> Finding | None:
    """Check for a count of a block move that is one too large or too small."""
    if not asked(case) or hangs_on_moments(case):
        return None
    code = code_of(case)
    for at, size in _constants(case):
        now = int(code.byte[at + 1]) if size == 1 else code.word(at + 1)
        for step in (1, -1):
            low = now + step
            if not 0 <= low < 1 << 8 * size or low >> 8 != now >> 8:
                continue  # the low byte alone is changed
            if case.budget.left() <= 0:
                return None
            tried = tried_with(case, patched(
                int(code.place[at + 1]), low & 0xFF, f"with {low:0{2 * size}X}h in place of "
                f"{now:0{2 * size}X}h at {case.names.at(at)}"), completes)
            if tried is not None:
                return Finding(
                    WRONG_CONSTANT, ended(case), f"the count {now:0{2 * size}X}h at "
                    f"{case.names.at(at)} is one too {'small' if step > 0 else 'large'}.",
                    [f"It is what the block move soon behind {case.names.at(at)} counts down."],
                    [tried, f"Count again what {now:0{2 * size}X}h at {case.names.at(at)} stands "
                            f"for."], {"pc": f"{at:04X}", "value": f"{now:X}"}, TRIED)
    return None


def _constants(case: Case) -> list[tuple[int, int]]:
    """List the counts of block moves: LD BC,nn with an LDIR or its kin soon behind it, and LD B,n
    with an OTIR or INIR: the address, and the bytes of the count."""
    code = code_of(case)
    out = []
    for opcode, size in COUNTS:
        for at in instructions(case, code.find(opcode)):
            near = range(at + 1 + size, min(at + SOON_BEHIND, 0xFFFE))
            if any(code.byte[k] == ED and ED_REPEATS[code.byte[k + 1]] and code.ran[k]
                   for k in near):
                out.append((at, size))
    return out


LATE_CHECKS = (Check(switch_loses, SWITCH_LOSES, FAILED, trial=True),
               Check(page_left, PULLED_PAGE, FAILED, trial=True),
               Check(stack_elsewhere, STACK_OVERRUN, FAILED, trial=True),
               Check(control_byte, CONTROL_BYTE, FAILED, trial=True, alone=True),
               Check(spoilt_by_routine, CLOBBERED, FAILED, trial=True, alone=True),
               Check(off_by_one, WRONG_CONSTANT, FAILED, trial=True))
