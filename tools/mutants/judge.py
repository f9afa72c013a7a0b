"""Hold an answer of ``preburn boot --json`` against a label: one rule for every mutant.

``named``: the cause is acceptable and summary, evidence or remedy mention a decisive thing (or a
hint); ``near``: a decisive thing is mentioned, under another cause; ``wrong``: neither;
``missed``: no cause.  ``harmless`` is told by what the machine does, never by the verdict.
"""
from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from mutants.symbols import Symbols

NAMED, NEAR, WRONG, MISSED, HARMLESS = "named", "near", "wrong", "missed", "harmless"
CLASSES = (NAMED, NEAR, WRONG, MISSED)
SOUND = ("reached", "waiting-for-input", "still-running", "halted")
ADDRESS = re.compile(r"\b([0-9A-F]{4})h\b")
NUMBER = re.compile(r"^(?:0x([0-9A-Fa-f]+)|([0-9A-Fa-f]+)h)$")
PLACE = re.compile(r"^([\w.-]+\.\w+):(\d+)$")
RANGE = re.compile(r"^@0x([0-9A-Fa-f]+)(?:-0x([0-9A-Fa-f]+))?$")
LINES_OFF = 2  # an answer may point this many lines beside the change


def text_of(told: Mapping[str, Any]) -> str:
    """Put together what the answer says."""
    return "\n".join([told.get("summary") or "", *(told.get("evidence") or []),
                      *(told.get("remedy") or [])])


def mentions(text: str, name: str, symbols: Symbols) -> bool:
    """Tell whether a text mentions a thing: by name, number, line, or an address in it."""
    if found := RANGE.match(name):
        first = int(found[1], 16)
        low, high = (first, int(found[2], 16)) if found[2] else symbols.around(first)
        return any(low <= address <= high for address in _addresses(text))
    if found := NUMBER.match(name):
        digits = (found[1] or found[2]).upper()
        padding = "0?" if len(digits) <= 2 else "0*"
        bare = digits.lstrip("0") or "0"
        return bool(re.search(rf"(?<![0-9A-Fa-f])(?:0x)?{padding}{bare}h?(?![0-9A-Fa-f\w])", text)
                    if "0x" in text else
                    re.search(rf"(?<![0-9A-Fa-f]){padding}{bare}h\b", text))
    if found := PLACE.match(name):
        lines = re.findall(rf"(?<![\w.-]){re.escape(found[1])}:(\d+)", text)
        return any(abs(int(line) - int(found[2])) <= LINES_OFF for line in lines)
    flags = re.NOFLAG if len(name) <= 2 else re.IGNORECASE
    if re.search(rf"(?<![\w.]){re.escape(name)}(?!\w)", text, flags):
        return True
    reach = symbols.reach(name)
    return reach is not None and any(reach[0] <= a <= reach[1] for a in _addresses(text))


def _addresses(text: str) -> list[int]:
    return [int(digits, 16) for digits in ADDRESS.findall(text)]


def judge(told: Mapping[str, Any], codes: Iterable[str], names: Iterable[str],
          hints: Iterable[str], symbols: Symbols) -> str:
    """Give the class of an answer about a mutant that is not harmless."""
    if told.get("cause") is None:
        return MISSED
    text = text_of(told)
    decisive = any(mentions(text, name, symbols) for name in names)
    if told["cause"] in set(codes):
        hinted = decisive or any(mentions(text, name, symbols) for name in hints)
        return NAMED if hinted else WRONG
    return NEAR if decisive else WRONG


def accused(told: Mapping[str, Any]) -> bool:
    """Tell whether a healthy program is given a cause, or a verdict that it does not deserve."""
    return told.get("cause") is not None or told.get("verdict") not in SOUND


def same_behaviour(told: Mapping[str, Any], healthy: Mapping[str, Any], slack: int = 0) -> bool:
    """Tell whether a run shows what the healthy one shows, and ends like it.

    The consoles must agree but for the last `slack` characters, which a shifted clock may add or
    cost; of the CPU it counts whether it stands in HALT with interrupts off.  The verdict is not
    asked: it is what is being measured.
    """
    one, two = told.get("console", {}), healthy.get("console", {})
    return set(one) == set(two) and all(_same_text(one[key], two[key], slack) for key in one) \
        and told.get("glass") == healthy.get("glass") and _asleep(told) == _asleep(healthy)


def _same_text(one: str, two: str, slack: int) -> bool:
    short, long = sorted((one, two), key=len)
    return long.startswith(short) and len(long) - len(short) <= slack


def _asleep(told: Mapping[str, Any]) -> bool:
    cpu = told.get("cpu", {})
    return str(cpu.get("halted")) == "1" and str(cpu.get("iff1")) == "0"
