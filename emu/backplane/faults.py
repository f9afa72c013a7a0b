"""Electrical faults that a backplane file or ``--fault`` may put into a machine.

    [[fault]]                          --fault data-stuck,line=3,level=0,from=0x8000
    kind = "data-stuck"
    line = 3
    level = 0
    from = 0x8000

Both forms are checked here against the same declarations, `KINDS`; docs/faults.md is made
from them.  `install` puts the faults into a machine's record for emu/bus/faulty_bus.py.
"""
from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from emu.bus import faulty_bus
from emu.bus.chain import OPEN, RESTART
from emu.bus.state import FAULTS, NO_INTERRUPT
from emu.errors import InputError, nearest

NMI_LONGEST = 1000  # seconds between edges


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
class Kind:
    """One kind of fault, with its text for builders."""

    name: str
    summary: str
    keys: tuple[Key, ...] = ()


@dataclass(frozen=True)
class Fault:
    """A checked fault."""

    kind: str
    settings: Mapping[str, Any]

    def __str__(self) -> str:
        given = [f"{k}={v}" for k, v in self.settings.items() if v is not None]
        return ",".join([self.kind, *given])


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

KINDS: dict[str, Kind] = {kind.name: kind for kind in (
    Kind("address-stuck", "An address line is open or shorted: the cards see one level.",
         (_line("line", 15, "number of the line"), LEVEL, FROM, TO)),
    Kind("address-swapped", "Two address lines are exchanged.",
         (_line("line", 15, "number of one line"), _line("with", 15, "number of the other"),
          FROM, TO)),
    Kind("data-stuck", "A data line is open or shorted: both sides see one level.",
         (_line("line", 7, "number of the line"), LEVEL, FROM, TO, SLOT_ONLY)),
    Kind("data-swapped", "Two data lines are exchanged.",
         (_line("line", 7, "number of one line"), _line("with", 7, "number of the other"),
          FROM, TO, SLOT_ONLY)),
    Kind("card-silent", "A card is fitted but answers nothing: no port, no memory, no interrupt.",
         (SLOT,)),
    Kind("ram-dead", "The RAM has no supply or is dead: writes are lost, reads float.",
         (FROM, TO)),
    Kind("slow-memory", "Memory gives its data late; a read that samples before them takes what "
         "the bus floats at.", (ACCESS, SPREAD, SETUP, FROM, TO)),
    Kind("slow-io", "A card gives a port's data late.", (SLOT, ACCESS, SPREAD, SETUP)),
    Kind("wait-ignored", "A card asks for WAIT too late to be seen: its wait states are not "
         "there.", (SLOT,)),
    Kind("no-pull-ups", "The data lines have no pull-ups: an undriven bus keeps its last byte."),
    Kind("vector-blocked", "A data buffer points the wrong way in an acknowledge: the vector "
         "stays on the card's side.", (SLOT_ONLY,)),
    Kind("chain-reversed", "A card's IEI and IEO are exchanged: its own IEI and that of the next "
         "card are driven by nobody.",
         (SLOT, Key("floats", "choice", "what an undriven IEI reads as", default="low",
                    choices=("low", "high")))),
    Kind("int-open", "A card's /INT output does not reach the CPU.", (SLOT,)),
    Kind("int-low", "/INT has no pull-up and reads low all the time."),
    Kind("reti-unseen", "The cards do not see ED 4D: the CPU fetches it on a bus of its own."),
    Kind("nmi-noise", "/NMI has no pull-up and falls at random times, from the seed.",
         (Key("every", "number", "mean seconds between edges", high=NMI_LONGEST),)),
    Kind("reset-held", "RESET stays low.", (AT,)),
    Kind("wait-held", "WAIT stays low: a bus cycle never ends.", (AT,)),
    Kind("busreq-held", "BUSREQ stays low: the CPU has given the bus away.", (AT,)),
)}


def parse(text: str) -> dict[str, Any]:
    """Read the text form KIND,KEY=VALUE,... into a table; InputError for a broken one."""
    kind, *pairs = [part.strip() for part in text.split(",")]
    table: dict[str, Any] = {"kind": kind}
    for pair in pairs:
        key, equals, value = pair.partition("=")
        if not equals or not key or not value:
            raise InputError(f"--fault {text}: {pair!r} is not KEY=VALUE, such as line=3.")
        if key in table:
            raise InputError(f"--fault {text}: {key} is given twice.")
        table[key] = _value(value)
    return table


def _value(text: str) -> Any:
    """Read a number in any of TOML's ways, else a word."""
    try:
        return int(text, 0)
    except ValueError:
        pass
    try:
        return float(text)
    except ValueError:
        return text


def _number(key: Key, value: Any, place: str) -> Any:
    whole = key.form == "int"
    kinds = (int,) if whole else (int, float)
    if isinstance(value, bool) or not isinstance(value, kinds) or not key.low <= value <= key.high:
        raise InputError(f"{place}: {key.name} takes a {'whole ' if whole else ''}number from "
                         f"{key.low} to {key.high}, not {value!r}.")
    return value


def _checked(key: Key, value: Any, slots: Sequence[str], place: str) -> Any:
    if key.form == "slot":
        if value not in slots:
            raise InputError(f"{place}: there is no slot {value!r}; {nearest(str(value), slots)}")
        return value
    if key.form == "choice":
        if isinstance(value, bool) or value not in key.choices:
            words = " or ".join(str(c) for c in key.choices)
            raise InputError(f"{place}: {key.name} takes {words}, not {value!r}.")
        return value
    return _number(key, value, place)


def settle(table: Mapping[str, Any], slots: Sequence[str], place: str) -> Fault:
    """Check one fault's table and fill in the defaults; InputError on the first mistake."""
    name = table.get("kind")
    if name not in KINDS:
        raise InputError(f"{place}: there is no fault {name!r}; {nearest(str(name), KINDS)}")
    kind = KINDS[str(name)]
    known = {key.name: key for key in kind.keys}
    settings: dict[str, Any] = {}
    for given in table:
        if given != "kind" and given not in known:
            hint = nearest(given, known) if known else "it takes no settings."
            raise InputError(f"{place}: {name} has no setting {given!r}; {hint}")
    for key in kind.keys:
        if key.name in table:
            settings[key.name] = _checked(key, table[key.name], slots, place)
        elif key.default is None and not key.optional:
            raise InputError(f"{place}: {name} needs {key.name} ({key.help}).")
        else:
            settings[key.name] = key.default
    _check_together(kind, settings, place)
    return Fault(kind.name, settings)


def _check_together(kind: Kind, settings: Mapping[str, Any], place: str) -> None:
    if "with" in settings and settings["with"] == settings["line"]:
        raise InputError(f"{place}: {kind.name} takes two different lines.")
    low, high = settings.get("from") or 0, settings.get("to")
    if high is not None and high < low:
        raise InputError(f"{place}: from lies above to.")
    if kind.name == "nmi-noise" and not settings["every"]:
        raise InputError(f"{place}: every takes more than 0 seconds.")


def check_chain(fault: Fault, chain: Sequence[str] | None, place: str) -> None:
    """Refuse a reversed chain link where there is none."""
    if fault.kind == "chain-reversed" and fault.settings["slot"] not in (chain or ()):
        raise InputError(f"{place}: slot {fault.settings['slot']!r} does not stand in "
                         f"backplane.chain.")


# --- putting them into a machine -------------------------------------------------------------

ROW_KINDS = {
    "address-stuck": faulty_bus.ADDRESS_STUCK, "address-swapped": faulty_bus.ADDRESS_SWAPPED,
    "data-stuck": faulty_bus.DATA_STUCK, "data-swapped": faulty_bus.DATA_SWAPPED,
    "card-silent": faulty_bus.SILENT,
    "ram-dead": faulty_bus.RAM_DEAD, "slow-memory": faulty_bus.SLOW_MEMORY,
    "slow-io": faulty_bus.SLOW_IO,
    "vector-blocked": faulty_bus.VECTOR_BLOCKED,
}
MEMORY_KINDS = {"address-stuck", "address-swapped", "data-stuck", "data-swapped", "card-silent",
                "ram-dead", "slow-memory"}
HELD = {"reset-held": faulty_bus.HELD_RESET, "wait-held": faulty_bus.HELD_WAIT,
        "busreq-held": faulty_bus.HELD_BUSREQ}


def _parameters(fault: Fault) -> tuple[int, int]:
    """Give the two parameters of a row in ``m.faults``."""
    s = fault.settings
    if "level" in s:
        bit = 1 << s["line"]
        return bit * s["level"], 0xFFFF & ~bit
    if "with" in s:
        return s["line"], s["with"]
    if "access" in s:
        return round((s["access"] + s["overhead"]) * 1000), round(s["spread"] * 1000)
    return int(s.get("from") is not None or s.get("to") is not None), 0


def install(faults: Sequence[Fault], m: Any, numbers: Mapping[str, int], hz: Fraction,
            seed: int) -> None:
    """Put the faults into a machine's record, before its cards are reset."""
    m.clock_ps = round(Fraction(10**12) / hz)
    m.noise = (seed * 2654435761 + 12345) & 0x7FFFFFFF
    for fault in faults:
        s = fault.settings
        slot = numbers.get(s.get("slot") or "", -1)
        if fault.kind in ROW_KINDS:
            low, high = s.get("from"), s.get("to")
            m.faults[m.fault_count] = (
                ROW_KINDS[fault.kind], 0 if low is None else low,
                0xFFFF if high is None else high, slot, *_parameters(fault))
            m.fault_count += 1
            m.faulty |= int(fault.kind in MEMORY_KINDS)
        if fault.kind == "no-pull-ups":
            m.keeps_last = 1
        elif fault.kind == "int-low":
            m.int_held = 1
        elif fault.kind == "int-open":
            m.int_cut[slot] = 1
        elif fault.kind == "card-silent":
            m.int_kind[slot] = NO_INTERRUPT
        elif fault.kind == "wait-ignored":
            m.slot_wait_io[slot] = m.slot_wait_mem[slot] = m.slot_wait_m1[slot] = 0
        elif fault.kind == "reti-unseen":
            m.reti_hidden = 1
        elif fault.kind == "nmi-noise":
            m.noise_every = max(round(Fraction(s["every"]) * hz), 1)
            m.noise_t = 1 + int(faulty_bus.draw(m)) * 2 * int(m.noise_every) // (1 << 23)
        elif fault.kind in HELD:
            m.held = HELD[fault.kind]
            m.held_from = max(round(Fraction(s["at"]) * hz), 0)


def link(chain: Sequence[str], faults: Sequence[Fault],
         numbers: Mapping[str, int]) -> list[int]:
    """Give ``m.chain``: slots from the highest down, open links, and reversed ones."""
    reversed_ = {f.settings["slot"]: RESTART if f.settings["floats"] == "high" else OPEN
                 for f in faults if f.kind == "chain-reversed"}
    out: list[int] = []
    for name in chain:
        if name == "open":
            out.append(OPEN)
        elif name in reversed_:
            out += [reversed_[name], numbers[name], reversed_[name]]
        else:
            out.append(numbers[name])
    return out


def silent_slots(faults: Sequence[Fault]) -> set[str]:
    """Name the slots whose card answers nothing."""
    return {str(f.settings["slot"]) for f in faults if f.kind == "card-silent"}


def check_count(faults: Sequence[Fault], place: str) -> None:
    """Refuse more faults than a machine can hold."""
    if len(faults) > FAULTS:
        raise InputError(f"{place}: more than {FAULTS} faults.")
