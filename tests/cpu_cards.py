"""Test cards: RAM everywhere, and a card that asks for interrupts on command.

The asker does one of the actions below at set T-states, when a port of it is accessed,
or, with a window, when an address in its page is accessed.  In an acknowledge it gives
``supply[0]``; a supplying one in mode 0 the bytes after it, ``supply[1]`` and on.  Its output
pull goes low and high by actions too; with ``hold`` an access pulls it for so many T-states.
"""
from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from emu.bus.chain import fall_nmi
from emu.bus.memory import claim
from emu.bus.state import CALL, CHAINED_INTERRUPT, FAR, NOT_MINE, PLAIN_INTERRUPT
from emu.bus.wires import drive_level
from emu.native.jit import compiled
from peripherals.card import Card, Setup, entry

ACTIONS = 16
NOTHING, ASK, UNASK, FALL_NMI, PULL, LET_GO = range(6)
ACT, LOOK, DELAY = range(3)  # registers: write an action; read does s.on_read; write T-states

ASKER = np.dtype([
    ("slot", np.int64),
    ("when", np.int64, (ACTIONS,)), ("what", np.int64, (ACTIONS,)),  # in order of time
    ("at", np.int64), ("count", np.int64),
    ("supply", np.int64, (4,)),
    ("hold", np.int64), ("chosen", np.int64),  # the last a of `select`
    ("on_read", np.int64),  # action of a read, which gives 5Ah
    ("touched", np.int64),  # T-state of the last access
    ("acknowledged", np.int64), ("returned", np.int64),  # T-states, 0 = never
], align=True)

RAM_STATE = np.dtype([("slot", np.int64)], align=True)


@compiled
def act(m, s, what, when):
    """Do an action."""
    if what == ASK:
        m.ip[s.slot] |= 1
        m.irq_dirty = 1
    elif what == UNASK:
        m.ip[s.slot] &= ~1
        m.irq_dirty = 1
    elif what == FALL_NMI:
        fall_nmi(m, when)
    elif what == PULL or what == LET_GO:
        drive_level(m, s.slot, np.int64(0), np.int64(what - PULL), when)


@compiled
def set_event(m, s):
    """Say when the next action is due."""
    m.event_t[s.slot] = s.when[s.at] if s.at < s.count else FAR


@entry(ASKER)
def reset(m, s, warm, t):
    """Start with whatever is scheduled."""
    set_event(m, s)
    return 0


@entry(ASKER)
def advance(m, s, t, _):
    """Do the actions that are due."""
    while s.at < s.count and s.when[s.at] <= t:
        act(m, s, s.what[s.at], s.when[s.at])
        s.at += 1
    set_event(m, s)
    return 0


@entry(ASKER)
def select(m, s, a, t):
    """Hold the access for as long as set."""
    s.chosen = a
    if s.hold > 0:
        act(m, s, np.int64(PULL), t)
        s.when[0] = t + s.hold
        s.what[0] = LET_GO
        s.at = 0
        s.count = 1
        set_event(m, s)
    return 0


@entry(ASKER)
def write(m, s, a, t):
    """Act at once, or ask for an interrupt so many T-states later."""
    s.touched = t
    value = (a >> 8) & 0xFF
    if (a & 0xFF) == ACT:
        act(m, s, value, t)
    elif (a & 0xFF) == DELAY:
        s.when[0] = t + value
        s.what[0] = ASK
        s.at = 0
        s.count = 1
        set_event(m, s)
    return 0


@entry(ASKER)
def read(m, s, a, t):
    """Act as set, and give 5Ah."""
    s.touched = t
    act(m, s, s.on_read, t)
    return 0x5A


@entry(ASKER)
def acknowledge(m, s, source, t):
    """Give the first byte."""
    s.acknowledged = t
    m.ip[s.slot] &= ~source
    return s.supply[0]


@entry(ASKER)
def reti(m, s, source, t):
    """Note when the service ended."""
    s.returned = t
    return 0


@entry(ASKER)
def memory(m, s, a, t):
    """Give a further byte of a mode 0 instruction, or answer in the window as a port does."""
    if a < 0:
        return s.supply[-a & 3]
    s.touched = t
    act(m, s, (a >> 16) & 0xFF if (a >> 24) != 0 else s.on_read, t)
    return 0x5A


def _claim_window(setup: Setup) -> None:
    page = setup.settings["window"]
    if page >= 0:
        claim(setup.machine, setup.slot, page, CALL, CALL)


def _asker_memory(settings: Mapping[str, Any]) -> int:
    return 4096 if settings["window"] >= 0 else 0


_ENTRIES: dict[str, Callable[..., int]] = {
    "reset": reset, "advance": advance, "write": write, "read": read,
    "acknowledge": acknowledge, "reti": reti, "memory": memory, "select": select}

CHAINED = Card(
    name="test-asker", summary="asks on command, with a vector", source="made for tests",
    state=ASKER, functions=_ENTRIES, registers=("act", "look", "delay"),
    interrupt=CHAINED_INTERRUPT, outputs=("pull",), memory_size=_asker_memory,
    power_on=_claim_window)
SUPPLYING = replace(CHAINED, name="test-supplier", supplies=True)

PLAIN = replace(CHAINED, name="test-plain-asker", interrupt=PLAIN_INTERRUPT)


def _claim_ram(setup: Setup) -> None:
    m, slot, window = setup.machine, setup.slot, setup.settings["window"]
    for page in range(16):
        if page != window:
            base = m.mem_base[slot] + page * 4096
            claim(m, slot, page, base, base)
        else:
            claim(m, slot, page, NOT_MINE, NOT_MINE)


@entry(RAM_STATE)
def ram_reset(m, s, warm, t):
    """Keep everything."""
    return 0


RAM = Card(name="test-ram", summary="64 KiB of RAM", source="made for tests", state=RAM_STATE,
           functions={"reset": ram_reset}, memory_size=lambda _: 65536, power_on=_claim_ram)
