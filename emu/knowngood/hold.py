"""Hold a run against a known-good record: what differs, aspect by aspect."""
from __future__ import annotations

import re
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from emu.errors import InputError
from emu.files.numbers import exact
from emu.knowngood.record import Tree, console_text

CONSOLE, MILESTONES = "console", "milestones"
STRICT = ("console", "milestones", "end", "interrupts", "ports", "memory", "bus")
PORT_ROW = re.compile(r"\b([0-9A-F]{2,4})/[0-9A-F]{2,4}:\d+\b")  # port, mask, register
SHOWN = 6  # differences of one kind that are written out


@dataclass(frozen=True)
class Tolerance:
    """How far a milestone's time may be off: a part of the recorded time, or seconds."""

    part: Fraction = Fraction(0)
    seconds: Fraction = Fraction(0)

    def allows(self, recorded: int, found: int, hz: Fraction) -> bool:
        """Tell whether two T-states are near enough."""
        return abs(found - recorded) <= max(self.part * recorded, self.seconds * hz)


EXACT = Tolerance()


@dataclass
class Aspect:
    """One side of a run, and where it differs from the record: a sentence each."""

    name: str
    differences: list[str] = field(default_factory=list)


def tolerance(text: str) -> Tolerance:
    """Read "5 %" or "20 ms"; InputError when it is neither."""
    match = re.fullmatch(r"(\d+(?:\.\d+)?) ?(%|s|ms|us)", text.strip())
    try:
        number = exact(match[1] if match else "")
    except ValueError:
        match = None
    if match is None:
        raise InputError(f"--tolerance takes a part or a time such as 5% or 20ms, not {text!r}.")
    if match[2] == "%":
        return Tolerance(part=number / 100)
    return Tolerance(seconds=number / {"s": 1, "ms": 1000, "us": 10**6}[match[2]])


def hold(good: Tree, ours: Tree, aspects: tuple[str, ...], hz: Fraction,
         allowed: Tolerance = EXACT) -> list[Aspect]:
    """Compare the asked aspects; ``console`` without its times unless ``bus`` is asked."""
    strict = "bus" in aspects
    found = {
        "console": lambda: _console(good["console"], ours["console"], strict, hz),
        "milestones": lambda: _milestones(good["milestones"], ours["milestones"], hz, allowed),
        "end": lambda: values("", good["end"], ours["end"]),
        "interrupts": lambda: values("", good["interrupts"], ours["interrupts"]),
        "ports": lambda: _ports(good["ports"], ours["ports"]),
        "memory": lambda: _memory(good["memory"], ours["memory"]),
        "bus": lambda: _bus(good["bus"], ours["bus"]),
    }
    return [Aspect(name, _short(found[name]())) for name in aspects]


def _short(rows: list[str]) -> list[str]:
    rest = len(rows) - SHOWN
    return rows if rest <= 1 else [*rows[:SHOWN], f"and {rest} more of these"]


def _time(t: int, hz: Fraction) -> str:
    return f"{float(t / hz):.6f} s"


def parting(good: str, ours: str) -> int | None:
    """Give the number of characters that two texts have in common at their start, None when
    they are the same."""
    if good == ours:
        return None
    same = 0
    for a, b in zip(good, ours, strict=False):
        if a != b:
            break
        same += 1
    return same


def _console(good: Tree, ours: Tree, strict: bool, hz: Fraction) -> list[str]:
    out = []
    for name in [*good, *(n for n in ours if n not in good)]:
        if name not in ours or name not in good:
            where = "the record" if name in good else "this machine"
            out.append(f"only {where} has a terminal on {name}")
            continue
        a, b = console_text(good[name]), console_text(ours[name])
        at = parting(a, b)
        if at is not None:
            out.append(_text_difference(name, a, b, at))
        elif strict and good[name]["times"] != ours[name]["times"]:
            out.append(_late_line(name, good[name], ours[name], hz))
    return out


def _text_difference(name: str, good: str, ours: str, at: int) -> str:
    line = good.count("\n", 0, at) + 1
    column = at - (good.rfind("\n", 0, at) + 1) + 1
    was, now = (text[at:at + 32] for text in (good, ours))
    return (f"{name}: the texts part in line {line}, column {column}: "
            f"{_quoted(was)} recorded, {_quoted(now)} now")


def _quoted(text: str) -> str:
    return repr(text) if text else "nothing more"


def _late_line(name: str, good: Tree, ours: Tree, hz: Fraction) -> str:
    for (was, text), (now, _) in zip(good["lines"], ours["lines"], strict=True):
        if was != now:
            return (f"{name}: the same text at other times: {text!r} began at {_time(was, hz)} "
                    f"(T {was}), now at {_time(now, hz)} (T {now})")
    return f"{name}: the same text, but some characters inside the lines at other times"


def _milestones(good: list[Any], ours: list[Any], hz: Fraction,
                allowed: Tolerance) -> list[str]:
    out = []
    names, now = [row[0] for row in good], [row[0] for row in ours]
    out += [f"{name}: recorded at {_time(t, hz)}, did not happen now"
            for name, t in good if name not in now]
    out += [f"{name}: happened at {_time(t, hz)}, not recorded"
            for name, t in ours if name not in names]
    for name in dict.fromkeys(n for n in names if n in now):
        was, is_now = ([t for n, t in rows if n == name] for rows in (good, ours))
        if len(was) != len(is_now):
            out.append(f"{name}: {len(was)} times recorded, {len(is_now)} times now")
            continue
        out += [f"{name}: recorded at {_time(a, hz)} (T {a}), now at {_time(b, hz)} (T {b})"
                for a, b in zip(was, is_now, strict=True) if not allowed.allows(a, b, hz)]
    common = [n for n in dict.fromkeys(names) if n in now]
    if not out and common != [n for n in dict.fromkeys(now) if n in names] and allowed == EXACT:
        out.append(f"another order: {', '.join(common)} recorded")
    return out


def values(place: str, good: Any, ours: Any) -> list[str]:
    """Compare two trees of tables value by value."""
    if isinstance(good, dict) and isinstance(ours, dict):
        out = []
        for key in [*good, *(k for k in ours if k not in good)]:
            name = f"{place} {key}".strip()
            out += values(name, good.get(key), ours.get(key))
        return out
    if good == ours:
        return []
    was, now = (_brief(v) for v in (good, ours))
    if isinstance(good, str) and isinstance(ours, str):
        ports = [PORT_ROW.sub(r"\1h", text) for text in (was, now)]
        was, now = ports if ports[0] != ports[1] else (was, now)
    return [f"{place}: {was} recorded, {now} now"]


def _brief(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, dict):
        return str(value.get("card", "some"))
    return str(value)


def _ports(good: Tree, ours: Tree) -> list[str]:
    out = []
    old = {row[0]: (name, *row[1:]) for name, rows in good.items() for row in rows}
    new = {row[0]: (name, *row[1:]) for name, rows in ours.items() for row in rows}
    for port in sorted({*old, *new}):
        was, now = (table.get(port, ("nobody", 0, 0, "")) for table in (old, new))
        if was[:3] != now[:3]:
            out.append(f"port {port}h: {was[1]} reads, {was[2]} writes of {was[0]} recorded; "
                       f"{now[1]} reads, {now[2]} writes of {now[0]} now")
        elif was != now:
            out.append(f"port {port}h of {now[0]}: as many accesses, but other bytes")
    return out


def _memory(good: Tree, ours: Tree) -> list[str]:
    out = []
    for slot in [*good, *(s for s in ours if s not in good)]:
        if slot not in good or slot not in ours:
            out.append(f"only {'the record' if slot in good else 'this machine'} has memory or "
                       f"a medium in {slot}")
            continue
        if good[slot]["power-on"] != ours[slot]["power-on"]:
            out.append(f"{slot}: other bytes at power-on: another image, seed or size")
        was, now = good[slot]["changed"], ours[slot]["changed"]
        pages = [p for p in sorted({*was, *now}) if was.get(p) != now.get(p)]
        if pages:
            what, unit = ("tracks or blocks", "") if "." in slot else ("pages of 4 KiB", "h")
            out.append(f"{slot}: {len(pages)} {what} end otherwise: "
                       + ", ".join(f"{p}{unit}" for p in pages[:8])
                       + (" ..." if pages[8:] else ""))
    return out


def interval(good: Tree, ours: Tree) -> tuple[int, int, int] | None:
    """Find where two bus digests part: (T-state up to which they are the same, cycles up to
    there, cycles of the first checkpoint that differs, -1 when there is none)."""
    if good["digest"] == ours["digest"] and good["cycles"] == ours["cycles"]:
        return None
    known = {cycles: (t, digest) for cycles, t, digest in ours["checkpoints"]}
    same_t = same = 0
    for cycles, t, digest in good["checkpoints"]:
        if cycles not in known:
            continue
        if known[cycles] != (t, digest):
            return same_t, same, cycles
        same_t, same = t, cycles
    return same_t, same, -1


def _bus(good: Tree, ours: Tree) -> list[str]:
    found = interval(good, ours)
    if found is None:
        return []
    _, same, other = found
    if other < 0:
        return [f"the first {same} bus cycles are the same, but not all: {good['cycles']} cycles "
                f"recorded, {ours['cycles']} now"]
    return [f"the first {same} bus cycles are the same, the first {other} are not"]
