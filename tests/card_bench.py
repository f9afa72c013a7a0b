"""Build one card, or a few in a chain, on a bare record: no CPU, no backplane file.

    bench = Bench(CARD, {"clock": "1.536 MHz"}, hz="6.144 MHz")
    bench.write("control", 0x15, 100)     # at T-state 100; without a T: now
    bench.read("control")

Further cards come with ``also=[(CARD, settings), ...]``; every method takes the card's
``slot`` (0 is the first).  ``native=True`` calls the machine code instead of the Python
functions.  Cards catch up before an access, and events happen in their order, as in
emu/bus/cycles.py.
"""
from __future__ import annotations

import itertools
import weakref
from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from emu.bus import chain
from emu.bus.clock import parse_frequency
from emu.bus.memory import refresh_map, remap
from emu.bus.state import (
    CHAINED_INTERRUPT,
    FAR,
    NO_INTERRUPT,
    NOT_MINE,
    PAGES,
    POOL_AT,
    new_record,
)
from emu.native import calls
from peripherals.card import ENTRIES, Card, Setup

_uids = itertools.count(-1000, -1)
_CLOCKS = dict.fromkeys(("clock", "clock-a", "clock-b"), "1.536 MHz")  # of serial lines: x16
_TERMINAL = {"baud": 96000, "format": "8N1", "flow": "none"}


def settings_of(card: Card, given: Mapping[str, Any]) -> dict[str, Any]:
    """Fill in a card's defaults (for serial lines the bench's) and turn frequencies into hertz."""
    unknown = set(given) - {j.name for j in card.jumpers}
    assert not unknown, f"{card.name} has no {unknown}"
    settings = {}
    for jumper in card.jumpers:
        value = given.get(jumper.name, _CLOCKS.get(jumper.name, jumper.default))
        if jumper.kind == "clock" and isinstance(value, str) and value not in ("cpu", "none"):
            value = parse_frequency(value)
        if jumper.kind == "terminal":
            value = {**_TERMINAL, **(jumper.default or {}), **(value or {})}
        settings[jumper.name] = value
    return settings


def _forget(uid: int, slots: int) -> None:
    for slot in range(slots):
        calls.PLAIN_TABLE.pop((uid, slot), None)


class Bench:
    """Cards on a bare machine record, reset at T-state 0.

    ``chain`` lists slots from the CPU end (-1: an open link); left out, the cards that
    can chain stand in it in order.  ``wires`` holds (slot, output, slot, input) by name.
    """

    def __init__(self, card: Card, settings: Mapping[str, Any] | None = None, *,
                 also: Sequence[tuple[Card, Mapping[str, Any]]] = (),
                 wires: Sequence[tuple[int, str, int, str]] = (),
                 chain: Sequence[int] | None = None,
                 hz: str = "6.144 MHz", seed: int = 1, native: bool = False,
                 images: Mapping[str, Any] | None = None,
                 bays: Mapping[str, Any] | None = None) -> None:
        self.cards = [card, *[c for c, _ in also]]
        self.settings = [settings_of(c, g) for c, g in [(card, settings or {}), *also]]
        self.hz: Fraction = parse_frequency(hz)
        self.record = new_record()
        self.m = self.record[0]
        self.states: list[Any] = []
        self.bays = dict(bays or {})  # of the first card
        self._prepare(chain)
        self._load(native)
        for k, (source, output, target, number) in enumerate(wires):
            to = self.cards[target].inputs.index(number)
            self.m.wires[k] = (source, self.cards[source].outputs.index(output), target, to,
                               self.cards[target].takes_clock(to))
        self.m.wire_count = len(wires)
        for slot, each in enumerate(self.cards):
            each.power_on(Setup(
                slot, f"slot{slot}", self.settings[slot], self.m, self.states[slot], self.hz,
                np.random.default_rng([seed, slot]), Path("."), images or {}, self.bays))
        self.reset(0, 0)

    def _prepare(self, order: Sequence[int] | None) -> None:
        m = self.m
        m.uid = next(_uids)
        m.slots = len(self.cards)
        m.event_t[:] = FAR
        m.held_t = -1
        m.log_limit = FAR
        m.t_stop = FAR
        m.port_slot[:] = -1
        m.line_level[:] = 1
        m.rclaim[:] = NOT_MINE
        m.wclaim[:] = NOT_MINE
        pool = memory = 0
        for slot, card in enumerate(self.cards):
            size = card.state.itemsize
            m.state_offset[slot] = POOL_AT + pool
            state = m.pool[pool:pool + size].view(card.state).view(np.recarray)[0]
            state.slot = slot
            self.states.append(state)
            pool += -(-size // 64) * 64
            m.mem_base[slot] = memory
            m.mem_size[slot] = -(-card.memory_size(self.settings[slot]) // 4096) * 4096
            memory += int(m.mem_size[slot])
            if m.mem_size[slot]:
                m.mem_slots[m.mem_count] = slot
                m.mem_count += 1
            wired = self.settings[slot].get("interrupt", True) is not False
            m.int_kind[slot] = card.interrupt if wired else NO_INTERRUPT
            m.vectored[slot] = card.interrupt == CHAINED_INTERRUPT
        if order is None:
            order = [k for k in range(m.slots) if m.vectored[k]]
        m.chain[:len(order)] = order
        m.chain_len = len(order)
        for slot in order:
            if slot >= 0:
                m.chained[slot] = 1

    def _load(self, native: bool) -> None:
        for slot, (card, state) in enumerate(zip(self.cards, self.states, strict=True)):
            table = [card.functions.get(e) for e in ENTRIES]
            if native:
                table = self._native_table(slot, card)
            calls.PLAIN_TABLE[int(self.m.uid), slot] = (state, table)
        weakref.finalize(self, _forget, int(self.m.uid), len(self.cards))

    def _native_table(self, slot: int, card: Card) -> list[Any]:
        """Wrap the machine code in functions called like the plain ones."""
        from emu.native import units

        loaded = units.load(sorted({f.__module__ for f in card.functions.values()}))
        machine = self.record.ctypes.data
        state = machine + int(self.m.state_offset[slot])
        table: list[Any] = [None] * len(ENTRIES)
        for entry, root in card.addresses().items():
            self.m.card_functions[slot, ENTRIES.index(entry)] = loaded.addresses[root]
            function = units.callable_root(root, 2)
            table[ENTRIES.index(entry)] = (
                lambda m, s, a, b, f=function: f(machine, state, int(a), int(b)))
        return table

    # --- the first card -----------------------------------------------------------------
    @property
    def s(self) -> Any:
        """The first card's state record."""
        return self.states[0]

    @property
    def t(self) -> int:
        """The time now."""
        return int(self.m.t)

    @property
    def int_line(self) -> int:
        """1: /INT is low."""
        return int(self.m.int_line)

    def words(self, slot: int = 0) -> list[str]:
        """Give a card's state in words."""
        return self.cards[slot].describe(self.m, self.states[slot])

    # --- what a machine does ------------------------------------------------------------
    def call(self, entry: str, a: int, b: int, slot: int = 0) -> int:
        """Call one function of a card as it stands, without any catching up."""
        return int(calls.call_card(self.m, slot, ENTRIES.index(entry), np.int64(a), np.int64(b)))

    def reset(self, warm: int = 1, t: int | None = None) -> None:
        """Pull RESET low on every card."""
        t = self._at(t)
        asked, served = self.m.ip.copy(), self.m.ius.copy()
        self.m.ip[:] = 0
        self.m.ius[:] = 0
        for slot in range(len(self.cards)):
            if self.call("reset", warm, t, slot) == 1:
                self.m.ip[slot], self.m.ius[slot] = asked[slot], served[slot]
        for page in range(PAGES):
            remap(self.m, page)
        refresh_map(self.m)
        chain.update_int(self.m)

    def _at(self, t: int | None) -> int:
        if t is not None:
            self.advance(t)
        return int(self.m.t)

    def _after(self) -> None:
        if self.m.irq_dirty == 1:
            chain.update_int(self.m)
        if self.m.medium_wanted:
            self.m.medium_wanted = 0
            self.serve()

    def serve(self) -> None:
        """Let the first card load and store pieces of its media."""
        self.cards[0].serve(self.m, self.states[0], self.bays)

    def advance(self, t: int, at_once: bool = False) -> None:
        """Go on to T-state ``t``: event by event, or with one call a card (``at_once``)."""
        m = self.m
        assert t >= m.t, "time does not run backwards"
        while True:
            slots = range(len(self.cards))
            soonest = t if at_once else min([t, *[int(m.event_t[k]) for k in slots]])
            m.t = max(int(m.t), soonest)
            due = [k for k in slots if m.event_t[k] <= m.t]
            for slot in due:
                self.call("advance", int(m.t), 0, slot)
                assert m.event_t[slot] > m.t, f"slot {slot}: an event at or before now was left"
            self._after()
            if soonest >= t and not [k for k in slots if m.event_t[k] <= m.t]:
                break
        m.t = t

    def register(self, name: int | str, slot: int = 0) -> int:
        """Give a register's number."""
        return name if isinstance(name, int) else self.cards[slot].registers.index(name)

    def read(self, register: int | str, t: int | None = None, slot: int = 0,
             port: int = 0) -> int:
        """Read a register at T-state ``t``; -1 when the card drives nothing."""
        t = self._at(t)
        value = self.call("read", self.register(register, slot) | port << 16, t, slot)
        self._after()
        return value

    def write(self, register: int | str, value: int, t: int | None = None, slot: int = 0,
              port: int = 0) -> None:
        """Write a register at T-state ``t``."""
        t = self._at(t)
        self.call("write", self.register(register, slot) | value << 8 | port << 16, t, slot)
        self._after()

    def memory(self, address: int, t: int | None = None, slot: int = 0,
               write: int | None = None) -> int:
        """Read an address through the card's MEMORY function, or write a byte to it."""
        from emu.bus.cycles import ASK_WRITE

        t = self._at(t)
        a = address if write is None else address | write << 16 | ASK_WRITE
        value = self.call("memory", a, t, slot)
        self._after()
        return value

    def ack(self, t: int | None = None) -> int:
        """Run an interrupt acknowledge: the vector, or -1 when nobody answers."""
        self._at(t)
        return int(chain.acknowledge(self.m))

    def reti(self, t: int | None = None) -> None:
        """Let the cards see RETI."""
        self._at(t)
        chain.return_from_interrupt(self.m)


def type_keys(bench: Bench, keys: bytes, at: int) -> None:
    """Type at the terminal of a card with one serial line, as ``s.line``."""
    line = bench.s.line
    for key in keys:
        line.typed[line.typed_in % len(line.typed)] = key
        line.typed_t[line.typed_in % len(line.typed)] = at
        line.typed_in += 1
    bench.m.event_t[0] = min(int(bench.m.event_t[0]), at)


def shown(bench: Bench) -> bytes:
    """Give what that terminal shows."""
    return bytes(bench.s.line.shown[:int(bench.s.line.shown_in)])
