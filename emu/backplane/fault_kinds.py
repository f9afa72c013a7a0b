"""The electrical faults, each declared once: its settings, what it does, where it acts.

A kind's `effect` puts it into a machine's record before the cards are reset; most enter a row
that one hook of emu/bus/faulty_bus.py reads.  To add a fault, add a `Kind` to `KINDS`; a new
hook only where the bus has no fitting one yet.
"""
from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from emu.bus import faulty_bus
from emu.bus.chain import OPEN, RESTART
from emu.bus.state import NO_INTERRUPT

NMI_LONGEST = 1000  # seconds between edges
ALL_LINES = 0xFFFF
Settings = Mapping[str, Any]


@dataclass(frozen=True)
class Key:
    """One setting of a fault: "line" (0-15 or 0-7), "level", "slot", "address", "ns" ..."""

    name: str
    form: str  # what it takes: int, number, slot, choice
    help: str
    default: Any = None  # None: it must be given, unless `optional`
    low: int = 0
    high: int = 0
    choices: tuple[Any, ...] = ()
    optional: bool = False


@dataclass(frozen=True)
class Site:
    """Where a fault is put: the machine record, the fault's settings, its slot's number or -1."""

    m: Any
    settings: Settings
    slot: int
    hz: Fraction

    def row(self, hook: int, *parameters: int) -> None:
        """Enter a row for a hook of emu/bus/faulty_bus.py, for the range of the settings."""
        low, high = self.settings.get("from"), self.settings.get("to")
        values = (hook, 0 if low is None else low, 0xFFFF if high is None else high, self.slot,
                  *parameters)
        self.m.faults[self.m.fault_count, :len(values)] = values
        self.m.fault_count += 1
        self.m.faulty |= int(hook in faulty_bus.ON_MEMORY)


Effect = Callable[[Site], None]


def _no_effect(_: Site) -> None:
    return None


def _fits(_: Settings) -> str:
    return ""


@dataclass(frozen=True)
class Kind:
    """One kind of fault, with its text for builders."""

    name: str
    summary: str
    keys: tuple[Key, ...] = ()
    effect: Effect = _no_effect
    mistake: Callable[[Settings], str] = _fits  # what is wrong with the settings, together
    silences: bool = False  # its slot answers at no port
    link: Callable[[Settings], int] | None = None  # what stands on both sides of it in the chain


# --- settings --------------------------------------------------------------------------------

def _line(name: str, highest: int, what: str) -> Key:
    return Key(name, "int", what, high=highest)


LEVEL = Key("level", "choice", "what it reads as: 0 or 1", choices=(0, 1))
FROM = Key("from", "int", "first address where it counts; with from or to it counts for memory "
           "only, such as one chip", high=0xFFFF, optional=True)
TO = Key("to", "int", "last such address", high=0xFFFF, optional=True)
SLOT = Key("slot", "slot", "the slot")
SLOT_ONLY = Key("slot", "slot", "count only for this slot's side of the data lines",
                optional=True)
AT = Key("at", "number", "seconds after power-on when it begins", default=0, high=1_000_000)
ACCESS = Key("access", "number", "ns from the address (for a port: from IORQ) to good data",
             high=1_000_000)
SPREAD = Key("spread", "number", "ns by which each access differs at random, up or down",
             default=0, high=1_000_000)
SETUP = Key("overhead", "number", "ns of the T-states that are not there for the memory: "
            "address delay and data set-up of the CPU (from memory: 90 suits a 10 MHz part)",
            default=90, high=1_000_000)


def _same_line(settings: Settings) -> str:
    return "line and with take two different lines" if settings["with"] == settings["line"] else ""


# --- effects ---------------------------------------------------------------------------------

def _stuck(hook: int) -> Effect:
    def effect(site: Site) -> None:
        bit = 1 << site.settings["line"]
        site.row(hook, ALL_LINES & ~bit, bit * site.settings["level"], 0, 0)
    return effect


def _swapped(hook: int) -> Effect:
    def effect(site: Site) -> None:
        site.row(hook, ALL_LINES, 0, site.settings["line"], site.settings["with"])
    return effect


def _late(hook: int) -> Effect:
    def effect(site: Site) -> None:
        s = site.settings
        site.row(hook, round((s["access"] + s["overhead"]) * 1000), round(s["spread"] * 1000))
    return effect


def _silent(site: Site) -> None:
    site.row(faulty_bus.ABSENT, 1)
    site.m.int_kind[site.slot] = NO_INTERRUPT
    site.m.vectored[site.slot] = 0


def _dead(site: Site) -> None:
    given = any(site.settings[key] is not None for key in ("from", "to"))
    site.row(faulty_bus.ABSENT, int(given))


def _blocked(site: Site) -> None:
    site.row(faulty_bus.VECTOR)


def _no_waits(site: Site) -> None:
    for waits in (site.m.slot_wait_io, site.m.slot_wait_mem, site.m.slot_wait_m1):
        waits[site.slot] = 0


def _cut(site: Site) -> None:
    site.m.int_cut[site.slot] = 1


def _set(field: str) -> Effect:
    def effect(site: Site) -> None:
        site.m[field] = 1
    return effect


def _noise(site: Site) -> None:
    m = site.m
    m.noise_every = max(round(Fraction(site.settings["every"]) * site.hz), 1)
    m.noise_t = 1 + int(faulty_bus.draw(m)) * 2 * int(m.noise_every) // (1 << 23)


def _held(what: int) -> Effect:
    def effect(site: Site) -> None:
        site.m.held = what
        site.m.held_from = max(round(Fraction(site.settings["at"]) * site.hz), 0)
    return effect


# --- the kinds -------------------------------------------------------------------------------

KINDS: dict[str, Kind] = {kind.name: kind for kind in (
    Kind("address-stuck", "An address line is open or shorted: the cards see one level.",
         (_line("line", 15, "number of the line"), LEVEL, FROM, TO),
         _stuck(faulty_bus.ADDRESS_LINES)),
    Kind("address-swapped", "Two address lines are exchanged.",
         (_line("line", 15, "number of one line"), _line("with", 15, "number of the other"),
          FROM, TO),
         _swapped(faulty_bus.ADDRESS_LINES), _same_line),
    Kind("data-stuck", "A data line is open or shorted: both sides see one level.",
         (_line("line", 7, "number of the line"), LEVEL, FROM, TO, SLOT_ONLY),
         _stuck(faulty_bus.DATA_LINES)),
    Kind("data-swapped", "Two data lines are exchanged.",
         (_line("line", 7, "number of one line"), _line("with", 7, "number of the other"),
          FROM, TO, SLOT_ONLY),
         _swapped(faulty_bus.DATA_LINES), _same_line),
    Kind("card-silent", "A card is fitted but answers nothing: no port, no memory, no interrupt.",
         (SLOT,), _silent, silences=True),
    Kind("ram-dead", "The RAM has no supply or is dead: writes are lost, reads float.",
         (FROM, TO), _dead),
    Kind("slow-memory", "Memory gives its data late; a read that samples before them takes what "
         "the bus floats at.", (ACCESS, SPREAD, SETUP, FROM, TO), _late(faulty_bus.LATE_MEMORY)),
    Kind("slow-io", "A card gives a port's data late.", (SLOT, ACCESS, SPREAD, SETUP),
         _late(faulty_bus.LATE_PORT)),
    Kind("wait-ignored", "A card asks for WAIT too late to be seen: its wait states are not "
         "there.", (SLOT,), _no_waits),
    Kind("no-pull-ups", "The data lines have no pull-ups: an undriven bus keeps its last byte.",
         effect=_set("keeps_last")),
    Kind("vector-blocked", "A data buffer points the wrong way in an acknowledge: the vector "
         "stays on the card's side.", (SLOT_ONLY,), _blocked),
    Kind("chain-reversed", "A card's IEI and IEO are exchanged: its own IEI and that of the next "
         "card are driven by nobody.",
         (SLOT, Key("floats", "choice", "what an undriven IEI reads as", default="low",
                    choices=("low", "high"))),
         link=lambda s: RESTART if s["floats"] == "high" else OPEN),
    Kind("int-open", "A card's /INT output does not reach the CPU.", (SLOT,), _cut),
    Kind("int-low", "/INT has no pull-up and reads low all the time.", effect=_set("int_held")),
    Kind("reti-unseen", "The cards do not see ED 4D: the CPU fetches it on a bus of its own.",
         effect=_set("reti_hidden")),
    Kind("nmi-noise", "/NMI has no pull-up and falls at random times, from the seed.",
         (Key("every", "number", "mean seconds between edges", high=NMI_LONGEST),), _noise,
         lambda s: "" if s["every"] else "every takes more than 0 seconds"),
    Kind("reset-held", "RESET stays low.", (AT,), _held(faulty_bus.HELD_RESET)),
    Kind("wait-held", "WAIT stays low: a bus cycle never ends.", (AT,),
         _held(faulty_bus.HELD_WAIT)),
    Kind("busreq-held", "BUSREQ stays low: the CPU has given the bus away.", (AT,),
         _held(faulty_bus.HELD_BUSREQ)),
)}
