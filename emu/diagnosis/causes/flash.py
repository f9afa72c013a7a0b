"""Causes at a flash chip: not unlocked, write-protected, executed while it is busy."""
from __future__ import annotations

from typing import Any

import numpy as np

from emu.bus.state import FETCH, READ, WRITE
from emu.card.cause import BUSY, HALTED_OFF, STUCK, WILD, Cause
from emu.card.roles import FlashChip
from emu.diagnosis.case import Case
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.changed_bytes import stretches
from emu.diagnosis.verdict import HUNG, RUNAWAY, SHOWN, Finding
from emu.machine.machine import Slot

FLASH_LOCKED = Cause(
    "flash-locked", "A flash write without its unlock sequence",
    "A verify error, or it waits for a byte that never reads back.",
    "Write pulses reach the flash without AAh at 5555h and 55h at 2AAAh before them (or with "
    "another page where those addresses lie); the chip does nothing, and its data stay.",
    "Write AAh to 5555h, 55h to 2AAAh and A0h to 5555h of the chip, whatever window they lie "
    "in, then the byte.", ("R1",))
FLASH_PROTECTED = Cause(
    "flash-protected", "Writes that do not reach the flash",
    "A tool says unknown chip; a store waits for ever.",
    "The unlock sequence is on the bus, and the chip gets no write pulse.",
    "Close the write-enable jumper.", ("R2",))
FLASH_BUSY = Cause(
    "flash-busy", "Code fetched from a flash that is busy", "A crash at the first write.",
    "An opcode fetch from the chip that is programming returns its status (bit 6 toggles).",
    "Run the programming code, and its interrupt handlers, from RAM.", ("R4",))
FAILED = (HALTED_OFF, WILD, STUCK, BUSY)
ENOUGH = 8  # reads of one byte in 20 ms that make a poll


def _flashes(case: Case) -> list[tuple[Slot, FlashChip]]:
    found = ((slot, slot.card.flash(case.m, slot.state)) for slot in case.machine.slots)
    return [(slot, chip) for slot, chip in found if chip is not None]


def _polled(case: Case, slot: Slot) -> int | None:
    """Give the address of a card's ROM side that the foreground reads again and again."""
    w = case.last
    reads = w.where(READ)
    if not len(reads):
        return None
    page = w.address[reads] >> 12
    mine = (np.asarray(case.m.owner)[page] == slot.number + 1) & (
        np.asarray(case.m.write_base_true)[page] < 0)
    code = np.isin(w.address[reads], list(case.control.code | case.idle))
    operand = np.isin((w.address[reads] - 1) & 0xFFFF, list(case.control.code)) | np.isin(
        (w.address[reads] - 2) & 0xFFFF, list(case.control.code))
    data = reads[mine & ~code & ~operand]
    if len(data) < ENOUGH:
        return None
    found, often = np.unique(w.address[data], return_counts=True)
    return int(found[often.argmax()]) if often.max() >= ENOUGH else None


def _written(case: Case, slot: Slot, address: int) -> tuple[int, int, int] | None:
    """Find the last write to an address: T-state, byte, PC."""
    for part in stretches(case):
        w = part.window
        writes = w.where(WRITE)
        writes = writes[w.address[writes] == address]
        if len(writes):
            k = int(writes[-1])
            return int(w.t[k]), int(w.data[k]), int(w.address[part.instruction(k)])
    return None


def not_stored(case: Case) -> Finding | None:
    """Check for a wait until flash reads back what the chip never took."""
    for slot, chip in _flashes(case):
        address = _polled(case, slot)
        written = None if address is None else _written(case, slot, address)
        if address is None or written is None:
            continue
        if not chip.writable:
            return _protected(case, slot, address, written)
        if not chip.programs and chip.strays:
            return _locked(case, slot, chip, address, written)
    return None


def _locked(case: Case, slot: Slot, chip: FlashChip, address: int,
            written: tuple[int, int, int]) -> Finding:
    t, byte, pc = written
    who = case.slot_words(slot.number)
    return Finding(
        FLASH_LOCKED, HUNG, f"the flash of {who} never took the byte for {address:04X}h: it was "
        f"not unlocked.",
        [f"At {case.time(t)} {case.names.at(pc)} wrote {byte:02X}h to {address:04X}h in flash, "
         f"and {case.loop()} waits for it to read back.",
         f"{chip.strays} writes to the chip belonged to no command, the last at "
         f"{chip.stray_at:05X}h of the chip; not one byte was programmed."],
        ["Before each byte write AAh to 5555h, 55h to 2AAAh and A0h to 5555h of the chip: map "
         "its pages 0 to 7FFFh, or the like, into the windows that are written."],
        {"address": f"{address:04X}"}, SHOWN, t)


def _protected(case: Case, slot: Slot, address: int, written: tuple[int, int, int]) -> Finding:
    t, byte, pc = written
    who = case.slot_words(slot.number)
    return Finding(
        FLASH_PROTECTED, HUNG, f"no write reaches the flash of {who}.",
        [f"At {case.time(t)} {case.names.at(pc)} wrote {byte:02X}h to {address:04X}h, and "
         f"{case.loop()} waits for it to read back.",
         f"{int(case.m.rom_writes)} writes went to the chip's addresses, and it got no write "
         f"pulse: write-protect is set, or the part is no flash."],
        [f"Set write-protect = false in slot.{slot.name} (close the write-enable jumper)."],
        {"address": f"{address:04X}"}, SHOWN, t)


def fetched_busy(case: Case) -> Finding | None:
    """Check for opcodes that a busy flash gave."""
    for slot, chip in _flashes(case):
        if not chip.programs + chip.erases:
            continue
        bases = np.asarray(case.m.read_base_true)
        phys = np.asarray(case.m.phys)
        for part in stretches(case):
            w = part.window
            page = w.address >> 12
            mine = (np.asarray(case.m.owner)[page] == slot.number + 1) & (bases[page] >= 0) & (
                np.asarray(case.m.write_base_true)[page] < 0) & (w.kind == FETCH)
            held = phys[np.maximum(bases[page] + (w.address & 0xFFF), 0)]
            strange = np.nonzero(mine & (w.t >= chip.busy_from) & (held != w.data)
                                 & ((w.data & chip.zeros) == 0))[0]
            if len(strange):
                return _busy_finding(case, slot, part, int(strange[0]), int(held[strange[0]]),
                                     chip.programs)
    return None


def _busy_finding(case: Case, slot: Slot, part: Any, k: int, held: int,
                  programs: int) -> Finding:
    w = part.window
    at, who = int(w.address[k]), case.slot_words(slot.number)
    verdict = RUNAWAY if case.condition in (WILD, BUSY) else HUNG
    return Finding(
        FLASH_BUSY, verdict, f"the CPU ran code from the flash of {who} while it was busy.",
        [f"At {case.time(int(w.t[k]))} the opcode at {case.names.at(at)} was fetched as "
         f"{int(w.data[k]):02X}h; {held:02X}h stands there. A busy chip gives its status: bit 7 "
         f"inverted, bit 6 toggling.",
         f"{programs} bytes were programmed in this run."],
        [f"Copy the code around {case.names.at(at)} to RAM and run it there, with interrupts "
         f"off unless their handlers and table stand in RAM too."],
        {"pc": f"{at:04X}"}, SHOWN, int(w.t[k]))


CHECKS = (
    Check(not_stored, FLASH_LOCKED, when=FAILED, trial=True,
          others=(FLASH_PROTECTED,)),
    Check(fetched_busy, FLASH_BUSY, when=FAILED),
)
