"""Move by routines and source lines, forwards and backwards.

A call wrote its return address onto the stack; whoever wrote it last is the call.  So going
back over or out of a routine asks the history, and needs no bookkeeping of calls.
"""
from __future__ import annotations

from emu.errors import InputError
from emu.isa.disassembler import disassemble
from emu.run.player import Player, Spot
from emu.stepper.lookup import read_byte
from emu.stepper.stack_words import returns
from emu.stepper.stepper import RETURN_WORDS, Event, Stepper

LONGEST_LINE = 10_000  # instructions, calls counted as one
RETURNS = ("return", "branch-return")


def line(stepper: Stepper) -> Event:
    """Run to the next source line, calls to their end."""
    here = stepper.book.line(int(stepper.m.pc))
    for _ in range(LONGEST_LINE):
        event = stepper.over()
        now = stepper.book.line(int(stepper.m.pc))
        if event.reason != "step" or (now is not None and now != here):
            return event
    return Event("step", "no other source line came")


def _written(stepper: Stepper, address: int, before: Spot) -> Spot | None:
    """Find where the word at an address of the stack was pushed, before a place."""
    place = stepper.book.place(address)
    if place is None:
        raise InputError(f"{address:04X}h: the stack does not lie in plain memory.")
    found = stepper.history_search.last_write(place, before)
    return None if found is None or found.by_hand else found.spot


def back_out(stepper: Stepper) -> Event:
    """Go back to the call of this routine: to what pushed the return address that is found.

    InputError when none of the next words on the stack looks like one.
    """
    found = returns(stepper, RETURN_WORDS)
    if not found:
        raise InputError("no return address is found near the top of the stack.")
    call = _written(stepper, found[0][0], stepper.spot)
    if call is None:
        return Event("interrupted" if stepper.interrupted else "beginning",
                     "nobody pushed this return address since power-on")
    stepper.jump(call)
    return Event("step")


def _returned(player: Player, sp: int) -> int | None:
    """Give where the return address lay, when the player stands before a return that leaves
    the stack pointer at ``sp``."""
    m = player.m
    code = disassemble(lambda a: read_byte(m, a), int(m.pc))
    slot = sp - 2 & 0xFFFF
    return slot if code.flow in RETURNS and int(m.sp) == slot else None


def back_over(stepper: Stepper) -> Event:
    """Go one instruction back; behind a call, to the call."""
    before = stepper.history.before(stepper.spot)
    if before is None:
        return stepper.back()
    player = stepper.history.bring(stepper.history.spare, before)
    slot = _returned(player, int(stepper.m.sp))
    call = None if slot is None else _written(stepper, slot, before)
    stepper.jump(call or before)
    return Event("step")
