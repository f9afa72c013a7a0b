"""Electrical faults that a backplane file or ``--fault`` may put into a machine.

    [[fault]]                          --fault data-stuck,line=3,level=0,from=0x8000
    kind = "data-stuck"
    line = 3
    level = 0
    from = 0x8000

Both forms are checked here against the declarations in emu/backplane/fault_kinds.py, from
which docs/faults.md is made too.
"""
from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from emu.backplane.fault_kinds import KINDS, Key, Site
from emu.bus.chain import OPEN
from emu.bus.state import FAULTS
from emu.errors import InputError, nearest


@dataclass(frozen=True)
class Fault:
    """A checked fault."""

    kind: str
    settings: Mapping[str, Any]

    def __str__(self) -> str:
        given = [f"{k}={v}" for k, v in self.settings.items() if v is not None]
        return ",".join([self.kind, *given])


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
        if not any(type(value) is type(choice) and value == choice for choice in key.choices):
            words = " or ".join(str(c) for c in key.choices)
            raise InputError(f"{place}: {key.name} takes {words}, not {value!r}.")
        return value
    return _number(key, value, place)


def settle(table: Mapping[str, Any], slots: Sequence[str], place: str) -> Fault:
    """Check one fault's table and fill in the defaults; InputError on the first mistake."""
    name = table.get("kind")
    if not isinstance(name, str) or name not in KINDS:
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
    low, high = settings.get("from") or 0, settings.get("to")
    if high is not None and high < low:
        raise InputError(f"{place}: from lies above to.")
    mistake = kind.mistake(settings)
    if mistake:
        raise InputError(f"{place}: {mistake}.")
    return Fault(kind.name, settings)


def check_chain(fault: Fault, chain: Sequence[str] | None, place: str) -> None:
    """Refuse a fault of a chain link where there is none."""
    if KINDS[fault.kind].link is not None and fault.settings["slot"] not in (chain or ()):
        raise InputError(f"{place}: slot {fault.settings['slot']!r} does not stand in "
                         f"backplane.chain.")


def install(faults: Sequence[Fault], m: Any, numbers: Mapping[str, int], hz: Fraction,
            seed: int) -> None:
    """Put the faults into a machine's record, before its cards are reset."""
    m.clock_ps = round(Fraction(10**12) / hz)
    m.noise = (seed * 2654435761 + 12345) & 0x7FFFFFFF
    for fault in faults:
        slot = numbers.get(fault.settings.get("slot") or "", -1)
        KINDS[fault.kind].effect(Site(m, fault.settings, slot, hz))


def link(chain: Sequence[str], faults: Sequence[Fault],
         numbers: Mapping[str, int]) -> list[int]:
    """Give ``m.chain``: slots from the highest down, open links, and reversed ones."""
    beside = {f.settings["slot"]: around(f.settings) for f in faults
              if (around := KINDS[f.kind].link) is not None}
    out: list[int] = []
    for name in chain:
        if name == "open":
            out.append(OPEN)
        elif name in beside:
            out += [beside[name], numbers[name], beside[name]]
        else:
            out.append(numbers[name])
    return out


def silent_slots(faults: Sequence[Fault]) -> set[str]:
    """Name the slots whose card answers nothing."""
    return {str(f.settings["slot"]) for f in faults if KINDS[f.kind].silences}


def check_count(faults: Sequence[Fault], place: str) -> None:
    """Refuse more faults than a machine can hold."""
    if len(faults) > FAULTS:
        raise InputError(f"{place}: more than {FAULTS} faults.")
