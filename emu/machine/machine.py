"""One machine: a description made into a record, run, saved and brought back."""
from __future__ import annotations

import itertools
import math
import weakref
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from emu.backplane.description import Description, SlotDescription
from emu.backplane.faults import install, link, silent_slots
from emu.bus.chain import update_int
from emu.bus.memory import refresh_map, remap
from emu.bus.state import (
    CHAINED_INTERRUPT,
    FAR,
    HEAD,
    MACHINE,
    MEDIUM_WANTED,
    NO_INTERRUPT,
    NOT_MINE,
    PAGES,
    PHYSICAL,
    POOL,
    POOL_AT,
    A,
    F,
    Fields,
    new_record,
)
from emu.card.contract import ENTRIES, Card, Setup
from emu.card.number_words import time_words
from emu.card.plaincards import (
    CardFault,
    CardStopped,
    PlainSlot,
    interrupt_held,
    is_native,
    is_plain,
    words_of,
)
from emu.card.plaincards import address as plain_address
from emu.card.plaincards import place_of as place_of_error
from emu.card.views import view
from emu.cpu.run import run as plain_run
from emu.errors import InputError
from emu.machine import effort
from emu.machine.legs import BrokenOff, Legs
from emu.media.bay import Bay, Version
from emu.native import calls, jit, units

RUN = "emu.cpu.run.run"
_uids = itertools.count(1)


@dataclass(frozen=True)
class Slot:
    """A card in its place: number, name, declaration, settings and state record."""

    number: int
    name: str
    card: Card
    settings: Any
    state: Any  # the card's record, a part of the machine's (a view of emu.card.views if plain)


@dataclass(frozen=True)
class Snapshot:
    """A machine's state at one time: enough to go on from there to the T-state."""

    t: int
    head: np.ndarray
    memory: np.ndarray
    media: tuple[Version, ...] = ()  # what the bays held, in their order


def modules_of(cards: Sequence[Card]) -> list[str]:
    """List the hot modules that a machine of these cards needs."""
    names = {f.__module__ for card in cards for f in card.functions.values() if is_native(f)}
    return [RUN.rpartition(".")[0], *sorted(names)]


class Machine:
    """A machine built from a checked description; ``seed`` overrides the file's.

    Raises InputError when images do not fit, CompileError when a card does not compile.
    """

    def __init__(self, description: Description, seed: int | None = None,
                 progress: Callable[[str], None] | None = None) -> None:
        self.description = description
        self.seed = description.seed if seed is None else seed
        self.hz: Fraction = description.cpu_hz
        self.record = new_record()
        self.m: Any = Fields(self.record)
        self.slots: list[Slot] = []
        self.bays: dict[str, Bay] = {}  # drives and sockets, by "slot.drive"
        self._plain: dict[int, PlainSlot] = {}  # slots with a card in plain Python
        self._view: Any = None  # the record as they see it
        self._faulted = ""
        self._broken_off = False
        self.holding = any(is_plain(slot.card) for slot in description.slots)
        self._load_code(progress)
        self._legs = Legs(self.m, lambda t_stop: self.guarded(self._run, t_stop))
        self._memory_used = 0
        self._pool_used = 0
        self._place_cards()
        self._connect_ports()
        self._connect_chain()
        self._connect_wires()
        install(self.description.faults, self.m, self._numbers(), self.hz, self.seed)
        self._power_on()
        effort.built()

    # --- building ---------------------------------------------------------------------
    def _load_code(self, progress: Callable[[str], None] | None) -> None:
        self._run: Callable[[int], int]
        if jit.plain_python():
            self._addresses: dict[str, int] = {}
            self._run = lambda t_stop: int(plain_run(self.m, np.int64(t_stop)))
            return
        cards = [slot.card for slot in self.description.slots]
        loaded = units.load(modules_of(cards), progress or (lambda _: None))
        self._addresses = loaded.addresses
        function = units.callable_root(RUN, 1, self.holding)
        place = self.record.ctypes.data
        self._run = lambda t_stop: function(place, t_stop)

    def _place_cards(self) -> None:
        m = self.m
        m.uid = next(_uids)
        weakref.finalize(self, calls.forget, int(m.uid))
        if self.holding:
            self._view = view(self._bytes, MACHINE)
        m.slots = len(self.description.slots)
        m.event_t[:] = FAR
        m.held_t = -1
        m.pass_t = -1
        m.log_limit = FAR
        m.rclaim[:] = NOT_MINE
        m.wclaim[:] = NOT_MINE
        m.keeps_last = int(self.description.floating == "last-byte")
        for number, slot in enumerate(self.description.slots):
            self._place(number, slot)

    def _place(self, number: int, slot: SlotDescription) -> None:
        m = self.m
        card = slot.card
        size = card.state.itemsize
        if self._pool_used + size > POOL:
            raise InputError(f"{slot.place}: the cards' states need more than {POOL} bytes "
                             f"together; take a card out.")
        m.state_offset[number] = POOL_AT + self._pool_used
        part = m.pool[self._pool_used:self._pool_used + size].view(card.state)
        state = part.view(np.recarray)[0]
        state.slot = number
        if is_plain(card):
            state = view(self._bytes, card.state, int(m.state_offset[number]), slot=number)
            self._plain[number] = PlainSlot(card, self._view, state)
            m.plain[number] = self._plain[number].address
        self._pool_used += -(-size // 64) * 64
        memory = -(-card.memory_size(slot.settings) // 4096) * 4096
        if self._memory_used + memory > PHYSICAL:
            raise InputError(f"{slot.place}: the machine's ROM and RAM come to more than "
                             f"{PHYSICAL >> 20} MiB; fit smaller chips.")
        m.mem_base[number] = self._memory_used
        m.mem_size[number] = memory
        self._memory_used += memory
        if memory:
            m.mem_slots[m.mem_count] = number
            m.mem_count += 1
        m.slot_wait_io[number] = slot.waits_io
        m.slot_wait_mem[number] = slot.waits_mem
        m.slot_wait_m1[number] = slot.waits_m1
        wired = slot.settings.get("interrupt", True) is not False
        m.int_kind[number] = card.interrupt if wired else NO_INTERRUPT
        m.vectored[number] = int(card.interrupt == CHAINED_INTERRUPT)
        m.supplies[number] = int(card.supplies)
        self.slots.append(Slot(number, slot.name, card, slot.settings, state))
        self._fill_table(number, card, state)

    def _fill_table(self, number: int, card: Card, state: Any) -> None:
        """Enter a card's functions in the tables: by address, and for calls from Python."""
        plain = self._plain.get(number)
        table = [plain.checked(entry) if plain else card.functions.get(entry)
                 for entry in ENTRIES]
        for entry, function in card.functions.items():
            if jit.plain_python():
                continue
            place = ENTRIES.index(entry)
            if is_native(function):
                root = f"{function.__module__}.{function.__name__}"
                self.m.card_functions[number, place] = self._addresses[root]
                if self.holding:
                    table[place] = self._from_python(root, int(self.m.state_offset[number]))
            else:
                self.m.card_functions[number, place] = plain_address(entry)
        if self.holding or jit.plain_python():
            calls.PLAIN_TABLE[int(self.m.uid), number] = (state, table)

    def _from_python(self, root: str, offset: int) -> Callable[..., int]:
        """Let a card in plain Python call one that is machine code (over a wire)."""
        function = units.callable_root(root, 2, True)
        machine = self.record.ctypes.data
        return lambda _m, _s, a, b: function(machine, machine + offset, int(a), int(b))

    def _connect_ports(self) -> None:
        m = self.m
        m.port_slot[:] = -1
        taken: dict[int, list[tuple[int, int, int, int]]] = {}
        silent = silent_slots(self.description.faults)
        for number, slot in enumerate(self.description.slots):
            for row in () if slot.name in silent else slot.ports:
                decoded = row.mask & 0xFF
                for low in range(256) if decoded < 0xFF else (row.port & 0xFF,):
                    if (low & decoded) == row.port & decoded:
                        taken.setdefault(low, []).append(
                            (row.mask, row.port & row.mask, number, row.register))
        rows: dict[tuple[int, int, int, int], None] = {}
        for low, claims in taken.items():
            mask, _, number, register = claims[0]
            if len(claims) == 1 and mask & 0xFF00 == 0:
                m.port_slot[low] = number
                m.port_reg[low] = register
            else:
                m.port_slot[low] = -2
                rows.update(dict.fromkeys(claims))
        if len(rows) > len(m.decodes):
            raise InputError(f"{self.description.path}: more than {len(m.decodes)} port ranges "
                             f"overlap or decode 16 bits; move some cards apart.")
        for k, entry in enumerate(rows):
            m.decodes[k] = entry
        m.decode_count = len(rows)

    def _numbers(self) -> dict[str, int]:
        return {slot.name: slot.number for slot in self.slots}

    def _number(self, name: str) -> int:
        return next(s.number for s in self.slots if s.name == name)

    def _connect_chain(self) -> None:
        links = link(self.description.chain or (), self.description.faults, self._numbers())
        if len(links) > len(self.m.chain):
            raise InputError(f"{self.description.path}: backplane.chain has more than "
                             f"{len(self.m.chain)} links.")
        for k, number in enumerate(links):
            self.m.chain[k] = number
            if number >= 0 and self.m.vectored[number]:
                self.m.chained[number] = 1
        self.m.chain_len = len(links)

    def _connect_wires(self) -> None:
        for k, wire in enumerate(self.description.wires):
            target = self.slot(wire.target)
            self.m.wires[k] = (self._number(wire.source), wire.output, target.number, wire.input,
                               target.card.takes_clock(wire.input))
        self.m.wire_count = len(self.description.wires)

    def _power_on(self) -> None:
        m = self.m
        m.line_level[:] = 1
        noise = np.random.default_rng(self.seed)
        for slot, described in zip(self.slots, self.description.slots, strict=True):
            seen = self._view if slot.number in self._plain else m
            setup = Setup(slot.number, slot.name, slot.settings, seen, slot.state, self.hz,
                          np.random.default_rng([self.seed, slot.number]),
                          self.description.path.parent, described.images, self._bays(described))
            self._kept(slot.card.power_on, setup, slot=slot)
        m.r[:12] = noise.integers(0, 256, 12)
        m.alt[:] = noise.integers(0, 256, 8)
        m.bus_byte = noise.integers(0, 256)
        self._reset(0)

    def _bays(self, slot: SlotDescription) -> dict[str, Bay]:
        """Fit a slot's drives and sockets, with what stands in them; by jumper name."""
        fitted = {name: Bay(f"{slot.name}.{name}", original)
                  for name, original in slot.media.items()}
        self.bays.update({bay.name: bay for bay in fitted.values()})
        return fitted

    def _reset(self, warm: int) -> None:
        m = self.m
        m.pc = m.i = m.refresh = m.im = m.iff1 = m.iff2 = m.halted = m.q = m.prefix = 0
        m.after_ei = m.after_ld_air = m.nmi_latch = m.ack_bytes = 0
        m.bus_armed = m.bus_asked = m.bus_owner = m.bus_rest = m.bus_watch = 0
        m.void = m.resume = m.kept_valid = m.cycles_run = m.cycles_kept = 0
        m.wait_wires = m.wait_low = m.wait_state = m.stretch = m.int_wired = 0
        m.sp = 0xFFFF
        m.r[6] = m.r[7] = 0xFF  # F and A
        asked, served = m.ip.copy(), m.ius.copy()
        m.ip[:] = 0
        m.ius[:] = 0
        with self.plainly():  # a card's outputs may tell another
            for slot in self.slots:
                if self.call(slot.number, "reset", warm, int(m.t)) == 1:
                    m.ip[slot.number] = asked[slot.number]
                    m.ius[slot.number] = served[slot.number]
        m.nmi_latch = m.reset_wanted = 0  # edges of lines that settled meanwhile
        for page in range(PAGES):
            remap(m, page)
        refresh_map(m)
        update_int(m)

    # --- calling ----------------------------------------------------------------------
    def call(self, number: int, entry: str, a: int, b: int) -> int:
        """Call a card's function as the machine would."""
        slot = self.slots[number]
        if number in self._plain:
            plain = self._plain[number].checked(entry)
            return 0 if plain is None else int(self._kept(plain, None, None, a, b, slot=slot))
        function = slot.card.functions.get(entry)
        if function is None:
            return 0
        if self._addresses and not self.holding and is_native(function):
            root = f"{function.__module__}.{function.__name__}"
            place = self.record.ctypes.data
            return units.callable_root(root, 2)(
                place, place + int(self.m.state_offset[number]), int(a), int(b))
        return int(function(self.m, slot.state, np.int64(a), np.int64(b)))

    @contextmanager
    def plainly(self) -> Iterator[None]:
        """Let plain Python run hot functions that call cards, as compiled code does."""
        if self.holding or jit.plain_python():
            yield  # the table is filled
            return
        added = {(int(self.m.uid), slot.number):
                 (slot.state, [slot.card.functions.get(entry) for entry in ENTRIES])
                 for slot in self.slots
                 if (int(self.m.uid), slot.number) not in calls.PLAIN_TABLE}  # it may be nested
        calls.PLAIN_TABLE.update(added)
        try:
            yield
        finally:
            for key in added:
                del calls.PLAIN_TABLE[key]

    def run(self, t_stop: int) -> int:
        """Run until T-state ``t_stop`` or a reason to leave; give the reason (emu.bus.state).

        Raises CardFault when a card in plain Python fails, BrokenOff after `break_off`.
        """
        while True:
            self.serve()
            self._legs.to(t_stop)
            if self.m.exit_reason != MEDIUM_WANTED:
                return int(self.m.exit_reason)

    def serve(self) -> bool:
        """Do what the cards have asked the host for, pieces of media or RESET; tell whether
        any had."""
        wanted = int(self.m.medium_wanted)
        if wanted == 0 and self.m.reset_wanted == 0:
            return False
        for slot in self.slots:
            if wanted >> slot.number & 1:
                self._serve(slot)
        self.m.medium_wanted = 0
        if self.m.reset_wanted:
            self.m.reset_wanted = 0
            self.reset()
        return True

    def _serve(self, slot: Slot) -> None:
        described = self.description.slots[slot.number]
        bays = {name: self.bays[f"{slot.name}.{name}"] for name in described.media}
        self._kept(slot.card.serve, self.m, slot.state, bays, slot=slot)

    def flush(self) -> None:
        """Let all cards store what they have not stored yet, so that the bays are whole."""
        for slot, described in zip(self.slots, self.description.slots, strict=True):
            if described.media:
                self._serve(slot)

    def break_off(self, asked: bool = True) -> None:
        """Let the run under way end with BrokenOff, some milliseconds on; a signal may ask so."""
        self._broken_off = asked

    def guarded(self, run: Callable[[int], int], t_stop: int) -> None:
        """Call what runs the machine, and see to a fault in a card in plain Python."""
        if self._broken_off:
            self._broken_off = False
            raise BrokenOff
        if not self.holding:
            run(t_stop)
            return
        if self.m.fault:
            raise CardFault(self._faulted)
        with interrupt_held(self._leave):
            self._kept(run, t_stop)
        if self.m.fault:
            raise RuntimeError("a card in plain Python was called without the interpreter's lock: "
                               "make the caller with callable_root(..., holding)")

    def _leave(self) -> None:
        """Let the machine code come back behind this instruction; called from within it."""
        self.m.t_stop = self.m.next_event = 0

    def _kept(self, function: Callable[..., Any], *arguments: Any,
              slot: Slot | None = None) -> Any:
        """Call a function; a fault in a card in plain Python becomes one clear line."""
        try:
            return function(*arguments)
        except BaseException as error:
            if self.m.fault:
                slot = self.slots[int(self.m.fault) - 1]
            if slot is None or slot.number not in self._plain:
                raise
            self.m.fault = slot.number + 1
            stopped = isinstance(error, KeyboardInterrupt)
            what = "stopped by Ctrl-C" if stopped else words_of(error)
            self._faulted = (f"{place_of_error(error)}: {what} (card of slot.{slot.name}"
                             f"; the machine stands at {self._where()}).")
            if stopped:
                raise CardStopped(self._faulted) from error
            raise CardFault(self._faulted) from error

    def _where(self) -> str:
        m = self.m
        registers = [("AF", m.r[A] << 8 | m.r[F])] + [
            (name, m.r[k] << 8 | m.r[k + 1]) for name, k in (("BC", 0), ("DE", 2), ("HL", 4))]
        words = " ".join(f"{name} {int(value):04X}h" for name, value in
                         [("PC", m.pc), ("SP", m.sp), *registers])
        return f"T-state {int(m.t)}, {words}"

    def stands(self) -> str:
        """Say in words how far it has come and where it stands."""
        t = int(self.m.t)
        return (f"{time_words(float(self.seconds(t)))} emulated, at T-state {t}, "
                f"PC {int(self.m.pc):04X}h")

    def reset(self) -> None:
        """Pull RESET low and let it go."""
        effort.reset()
        self._reset(1)

    def seconds(self, t: int) -> Fraction:
        """Give the emulated time of a T-state."""
        return Fraction(int(t)) / self.hz

    def at(self, seconds: Fraction | float) -> int:
        """Give the first T-state at or after a time since power-on."""
        return math.ceil(Fraction(seconds) * self.hz)

    def slot(self, name: str) -> Slot:
        """Find a slot by its name in the backplane file."""
        return self.slots[self._number(name)]

    # --- saving -----------------------------------------------------------------------
    @property
    def _bytes(self) -> np.ndarray:
        return self.record.view(np.uint8).reshape(-1)

    def snapshot(self) -> Snapshot:
        """Copy the state: the head of the record and the memory in use."""
        end = POOL_AT + self._pool_used
        effort.copied(end + self._memory_used)
        return Snapshot(int(self.m.t), self._bytes[:end].copy(),
                        self._bytes[HEAD:HEAD + self._memory_used].copy(),
                        tuple(bay.version() for bay in self.bays.values()))

    def restore(self, saved: Snapshot) -> None:
        """Bring a snapshot of this machine, or of one built alike, back."""
        effort.copied(len(saved.head) + len(saved.memory))
        addresses, uid, plain = self.m.card_functions.copy(), int(self.m.uid), self.m.plain.copy()
        self._bytes[:len(saved.head)] = saved.head
        self._bytes[HEAD:HEAD + len(saved.memory)] = saved.memory
        for bay, version in zip(self.bays.values(), saved.media, strict=True):
            bay.restore(version)
        self.m.card_functions[:] = addresses
        self.m.plain[:] = plain
        self.m.uid = uid
        refresh_map(self.m)  # the stops are not the snapshot's

    def log(self, on: bool) -> None:
        """Turn the bus log on or off; it starts empty."""
        self.m.logging = int(on)
        self.m.log_pos = 0
        self.m.log_limit = FAR
        refresh_map(self.m)
