"""Move by routines and source lines, forwards and backwards.

A call wrote its return address onto the stack; whoever wrote it last is the call.  So going
back over or out of a routine asks the history, and needs no bookkeeping of calls.
"""
from __future__ import annotations

from emu.errors import InputError
from emu.isa.disassembler import disassemble
from emu.run.history import Player, Spot
from emu.stepper.book import read_byte
from emu.stepper.sitting import RETURN_WORDS, Event, Sitting
from emu.stepper.stack_words import returns

LONGEST_LINE = 10_000  # instructions, calls counted as one
RETURNS = ("return", "branch-return")


def line(sitting: Sitting) -> Event:
    """Run to the next source line, calls to their end."""
    here = sitting.book.line(int(sitting.m.pc))
    for _ in range(LONGEST_LINE):
        event = sitting.over()
        now = sitting.book.line(int(sitting.m.pc))
        if event.reason != "step" or (now is not None and now != here):
            return event
    return Event("step", "no other source line came")


def _written(sitting: Sitting, address: int, before: Spot) -> Spot | None:
    """Find where the word at an address of the stack was pushed, before a place."""
    place = sitting.book.place(address)
    if place is None:
        raise InputError(f"{address:04X}h: the stack does not lie in plain memory.")
    found = sitting.history_search.last_write(place, before)
    return None if found is None or found.by_hand else found.spot


def back_out(sitting: Sitting) -> Event:
    """Go back to the call of this routine: to what pushed the return address that is found.

    InputError when none of the next words on the stack looks like one.
    """
    found = returns(sitting, RETURN_WORDS)
    if not found:
        raise InputError("no return address is found near the top of the stack.")
    call = _written(sitting, found[0][0], sitting.spot)
    if call is None:
        return Event("interrupted" if sitting.interrupted else "beginning",
                     "nobody pushed this return address since power-on")
    sitting.jump(call)
    return Event("step")


def _returned(player: Player, sp: int) -> int | None:
    """Give where the return address lay, when the player stands before a return that leaves
    the stack pointer at ``sp``."""
    m = player.m
    code = disassemble(lambda a: read_byte(m, a), int(m.pc))
    slot = sp - 2 & 0xFFFF
    return slot if code.flow in RETURNS and int(m.sp) == slot else None


def back_over(sitting: Sitting) -> Event:
    """Go one instruction back; behind a call, to the call."""
    before = sitting.history.before(sitting.spot)
    if before is None:
        return sitting.back()
    player = sitting.history.bring(sitting.history.spare, before)
    slot = _returned(player, int(sitting.m.sp))
    call = None if slot is None else _written(sitting, slot, before)
    sitting.jump(call or before)
    return Event("step")
