"""What a card is: one file in peripherals/, with a ``CARD`` declaration at its end.

A card's behaviour is plain functions over two records: the machine's (emu/bus/state.py) and
its own state, a structured dtype whose first field is ``slot``.  Each function has the
same form, ``f(m, s, a, b) -> int64``; marked ``@entry(STATE)`` it becomes machine code,
unmarked it stays plain Python (a card of one's own: docs/own-card.md):

    reset(m, s, a, t)         RESET goes low: a = 0 at power-on, 1 later; 1 when it does not
                              reach the chip, whose requests and services then stay
    read(m, s, a, t)          a = register | port << 16: the byte driven, or -1 for none
    write(m, s, a, t)         a = register | byte << 8 | port << 16
    advance(m, s, t, _)       let all events up to T-state t happen, set m.event_t[s.slot]
    acknowledge(m, s, source, t)  the vector; ``source`` is a bit of m.ip[s.slot], which the
                              chain has already put under service; clear it in ip if the chip does
    reti(m, s, source, t)     the service of ``source`` has ended
    memory(m, s, a, t)        a = address, or address | byte << 16 | ASK_WRITE: the byte, or -1;
                              for pages claimed (emu/bus/memory.py) by a card with a memory_size;
                              a = -n: the n-th further byte in mode 0, of a card that ``supplies``
    line(m, s, input, t)      what is wired to an input has changed (emu/bus/wires.py)
    master(m, s, t, _)        it has the bus (emu/bus/requests.py): move on by at least one T-state
    select(m, s, a, t)        its register is chosen from T-state t on: a = register | port << 16,
                              and SELECT_WRITE (emu/bus/waiting.py); only where /WAIT is wired

A card asks for wait states in two ways.  A fixed number in each of its cycles is no matter of
the card: ``waits-io``, ``waits-mem`` and ``waits-m1`` of its slot.  For as many as it wants, an
output of it is wired to the input wait of the CPU card, and it drives that low (`drive_level`):
each cycle in which the CPU samples it low goes on until it is high, to the T-state.  A card that
holds accesses to itself alone pulls the line low in ``select``, and lets it go by its event.

A card with media keeps only what it works on in its record; it asks for more with
bus.ask_host, and its ``serve`` (plain Python) then loads and stores pieces.

``t`` of an access is the T-state in which the card sees it (T3).  A card whose next event
is at or before it has been advanced already.  After a change of m.ip or m.ius a card sets
m.irq_dirty = 1.  A card has no other memory than its record; a run is the same to the
T-state however often ``advance`` is called in between.

`Setup` is what a card's ``power_on`` (plain Python, before the first reset) may use.
"""
from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from emu.bus.clock import period
from emu.bus.state import MACHINE, NO_INTERRUPT
from emu.card.cause import Cause
from emu.card.margins import Margin
from emu.card.rate_ways import Ask, Way
from emu.card.roles import (
    Complaint,
    FlashChip,
    Hand,
    MemoryArea,
    PageRange,
    PageWindow,
    Request,
    Tick,
)
from emu.native.jit import INT, root

ENTRIES = ("reset", "read", "write", "advance", "acknowledge", "reti", "memory", "line",
           "master", "select")


READ_SIDE, WRITE_SIDE = "read", "write"  # the one side that a register has


def entry(state: np.dtype) -> Callable[[Callable[..., int]], Callable[..., int]]:
    """Mark a card's function; ``state`` is the dtype of the card's record."""
    return root(MACHINE, state, INT, INT)


@dataclass(frozen=True)
class Jumper:
    """One setting of a card, as the backplane file names it.

    ``kind``: "int" (with low and high), "choice", "reading" (a choice that no board has, between
    readings of a data sheet where it is unsettled: never tried as a remedy), "flag", "text",
    "file", "files" (a table of names and files that stand in RAM at power-on), "clock" (a
    frequency, "cpu", or the name of a wired line), "terminal" (a table), "list", "drive" (a
    floppy drive's table, emu/media/drive.py), "medium" (a memory card's image).
    """

    name: str
    kind: str
    default: Any
    help: str
    low: int = 0
    high: int = 255
    choices: tuple[Any, ...] = ()
    # it counts only where another jumper has one of some values: its name, the values
    counts_with: tuple[str, tuple[Any, ...]] | None = None


@dataclass
class Setup:
    """What a card gets at power-on, before its first reset."""

    slot: int
    name: str  # the slot's name in the backplane file
    settings: Mapping[str, Any]
    machine: Any  # the machine record
    state: Any  # the card's record, zeroed but for ``slot``
    cpu_hz: Fraction
    random: np.random.Generator  # seeded: power-on noise
    folder: Path  # of the backplane file
    images: Mapping[str, Any]  # emu.files.image.Image by jumper, "jumper.name" for "files"
    bays: Mapping[str, Any] = field(default_factory=dict)  # by jumper name (emu.media.bay.Bay)

    def period(self, hertz: Fraction) -> tuple[int, int]:
        """Give a clock's period in T-states as (num, den)."""
        return period(self.cpu_hz, hertz)


@dataclass(frozen=True)
class Trouble:
    """Something that went wrong at a card by its own rules, in words.

    Whether it matters to a run the diagnosis decides (emu/diagnosis/causes/troubles.py).  In
    the texts stand {slot}, {NAME} for the port of a register NAME, {pc} for the instruction that
    wrote to the card last before ``t``, {at} for the one at ``pc``, {loop} for the foreground's
    loop; in the texts of ``interrupted`` also {handler}, and {left} for what it interrupted.
    """

    code: str  # of one of the card's causes
    summary: str
    evidence: list[str]
    remedy: list[str]
    t: int  # T-state at which it shows: the last command that came to it
    mend: Callable[[Any, Any], None] | None = None  # change machine and card as the remedy would
    pc: int = 0
    waiting: bool = False  # the card, or who waits for it, stands still because of it
    again: str = ""  # the card's counter that grows while the program tries again and again
    # what it is instead when an interrupt kept the CPU between its last access and ``t``
    interrupted: Trouble | None = None


def _no_power_on(_: Setup) -> None:
    return None


def _no_memory(_: Mapping[str, Any]) -> int:
    return 0


def _no_sides(_: Mapping[str, Any]) -> Mapping[str, str]:
    return {}


def _no_hands(_: Any, __: Any) -> list[Hand]:
    return []


def _no_rates(_: Ask) -> list[Way]:
    return []


def _no_window(_: Mapping[str, Any]) -> tuple[int, int]:
    return 0, 0


def _no_margins(_m: Any, _s: Any) -> list[Margin]:
    return []


def _no_words(_m: Any, _s: Any) -> list[str]:
    return []


def _no_service(_m: Any, _s: Any, _bays: Mapping[str, Any]) -> None:
    return None


def _no_place(_m: Any, _s: Any) -> object:
    return None


def _no_troubles(_m: Any, _s: Any) -> list[Trouble]:
    return []


def _no_ticks(_m: Any, _s: Any) -> list[Tick]:
    return []


def _no_requests(_m: Any, _s: Any) -> list[Request]:
    return []


def _no_nmi(_m: Any, _s: Any) -> bool:
    return False


def _no_windows(_m: Any, _s: Any) -> list[PageWindow]:
    return []


def _no_areas(_: Mapping[str, Any]) -> list[MemoryArea]:
    return []


def _no_pages(_: Mapping[str, Any]) -> list[PageRange]:
    return []


def _no_flash(_m: Any, _s: Any) -> FlashChip | None:
    return None


def _no_complaints(_m: Any, _s: Any) -> list[Complaint]:
    return []


@dataclass(frozen=True)
class Card:
    """The declaration of a card; see the module's text for its functions."""

    name: str
    summary: str
    source: str  # the data sheet or manual that it follows
    state: np.dtype
    functions: Mapping[str, Callable[..., int]] = field(default_factory=dict)
    jumpers: tuple[Jumper, ...] = ()
    registers: tuple[str, ...] = ()  # port registers, numbered from 0
    # their usual order of ports, where that depends on the settings
    order: Callable[[Mapping[str, Any]], tuple[str, ...]] | None = None
    # registers with one side only, as the settings have it: READ_SIDE or WRITE_SIDE
    sides: Callable[[Mapping[str, Any]], Mapping[str, str]] = _no_sides
    unmodelled: tuple[str, ...] = ()  # what its chip does and it does not, for docs/cards.md
    needs_port: bool = True  # False: it works with none of its registers decoded
    interrupt: int = NO_INTERRUPT  # or PLAIN_INTERRUPT, CHAINED_INTERRUPT
    # how a program ends a service at a chip that knows no RETI; empty: by RETI
    service_end: str = ""
    sources: int = 8  # bits of m.ip[slot] that a chained card may use, at most
    # True: in mode 0 it puts a whole instruction on the bus, instead of memory (see ``memory``)
    supplies: bool = False
    outputs: tuple[str, ...] = ()  # lines that other cards can be wired to
    probes: tuple[str, ...] = ()  # of them, those that a waveform shows
    inputs: tuple[str, ...] = ()
    channels: tuple[str, ...] = ()  # serial channels; state field line_<channel>
    memory_size: Callable[[Mapping[str, Any]], int] = _no_memory  # bytes of phys it needs
    image_size: Callable[[Mapping[str, Any]], int] = _no_memory  # bytes of its ROM chip
    # addresses where files can stand in its RAM at power-on, end exclusive
    ram_window: Callable[[Mapping[str, Any]], tuple[int, int]] = _no_window
    # where in phys a byte stands of a page that it holds only a part of (m, state, address,
    # written?), or a claim of emu/bus/state.py; None: it has no such page
    byte_place: Callable[[Any, Any, int, bool], int] | None = None
    # where its memory answers, and the pages behind its windows, as the jumpers have it
    areas: Callable[[Mapping[str, Any]], list[MemoryArea]] = _no_areas
    pages: Callable[[Mapping[str, Any]], list[PageRange]] = _no_pages
    power_on: Callable[[Setup], None] = _no_power_on
    describe: Callable[[Any, Any], list[str]] = _no_words  # state in words
    # what its display shows, line by line; empty: it has none
    glass: Callable[[Any, Any], list[str]] = _no_words
    margins: Callable[[Any, Any], list[Margin]] = _no_margins  # what must be served in time
    # what the registers are for (emu/card/roles.py): by name, one or several kinds
    kinds: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    ticks: Callable[[Any, Any], list[Tick]] = _no_ticks  # the steady ticks that it gives now
    # its interrupt sources as they stand now
    requests: Callable[[Any, Any], list[Request]] = _no_requests
    drives_nmi: Callable[[Any, Any], bool] = _no_nmi  # whether it can pull /NMI, as it is wired
    drives_reset: bool = False  # whether it can pull RESET
    # the windows whose memory its registers switch
    windows: Callable[[Any, Any], list[PageWindow]] = _no_windows
    flash: Callable[[Any, Any], FlashChip | None] = _no_flash
    complaints: Callable[[Any, Any], list[Complaint]] = _no_complaints  # what stands wrong now
    causes: tuple[Cause, ...] = ()  # of hangs at it, that its troubles name
    troubles: Callable[[Any, Any], list[Trouble]] = _no_troubles  # what went wrong at it
    # what happened at it and is worth a look even when all went well
    risks: Callable[[Any, Any], list[str]] = _no_words
    # where on its medium it is: a program that comes to new places gets somewhere
    place: Callable[[Any, Any], object] = _no_place
    rates: Callable[[Ask], list[Way]] = _no_rates  # what it can be programmed for
    # serve(m, s, bays): load what was asked for, store what has changed (also before --keep)
    serve: Callable[[Any, Any, Mapping[str, Any]], None] = _no_service
    # jumpers that may change while it runs: set(m, s, value), the value checked
    live: Mapping[str, Callable[[Any, Any, Any], None]] = field(default_factory=dict)
    # what a hand can do to it while it runs: action(machine, slot, text); it may touch only
    # what a snapshot holds
    actions: Mapping[str, Callable[[Any, Any, str], None]] = field(default_factory=dict)

    # what a person may do at it now, for a program that waits for it: tried in copies
    hands: Callable[[Any, Any], list[Hand]] = _no_hands

    @property
    def timer(self) -> bool:
        """Tell whether it can give a steady tick when it is set up for one."""
        return self.ticks is not _no_ticks

    def takes_clock(self, number: int) -> bool:
        """Tell whether an input is a clock input: a jumper of kind "clock" has its name."""
        name = self.inputs[number].replace("-", "")
        return any(j.kind == "clock" and j.name.replace("-", "") == name for j in self.jumpers)

    @property
    def chip(self) -> str | None:
        """Name the jumper that says what is burned into its chip, None when it has no chip."""
        return next((jumper.name for jumper in self.jumpers if jumper.kind == "file"), None)

    def has_kind(self, register: str, kind: str) -> bool:
        """Tell whether a register is of a kind."""
        return kind in self.kinds.get(register, ())

    def addresses(self) -> dict[str, str]:
        """Name the roots of the card's functions by entry."""
        return {e: f"{f.__module__}.{f.__name__}" for e, f in self.functions.items()}
