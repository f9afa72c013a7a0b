"""Find every way in which the fitted cards reach a baud rate or a tick."""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from emu.backplane.description import Description, SlotDescription
from emu.card.rate_ways import BAUD, OUTPUT, Ask, Way, Write, hertz_words

CASCADE = 2  # wires followed upstream, from card to card
WORST = Fraction(2, 100)  # beyond it two serial chips misread each other


@dataclass(frozen=True)
class Reached:
    """A way of one slot; ``error`` is relative, ``writes`` are (port, byte) in order."""

    slot: str
    way: Way
    error: Fraction
    writes: tuple[tuple[int | None, Write], ...]

    def as_dict(self) -> dict[str, Any]:
        """Give it as JSON takes it."""
        return {"slot": self.slot, "part": self.way.part, "rate": float(self.way.rate),
                "error": float(self.error), "how": self.way.words, "note": self.way.note,
                "writes": [{"slot": w.slot, "register": w.register, "port": port, "byte": w.byte}
                           for port, w in self.writes]}


def reach(d: Description, purpose: str, want: Fraction, only: str = "") -> list[Reached]:
    """List the ways to ``want`` (baud or hertz), the nearest of each part first; of one slot
    ``only``, or of all."""
    found = []
    for slot in [s for s in d.slots if only in ("", s.name)]:
        seen = set()
        for way in _ways(d, slot, purpose, want, CASCADE):
            key = way.part, way.rate, way.writes
            if key not in seen:
                seen.add(key)
                writes = tuple((_port(d, w), w) for w in way.writes)
                found.append(Reached(slot.name, way, way.rate / want - 1, writes))
    return sorted(found, key=lambda r: (r.slot, r.way.part, abs(r.error) > WORST,
                                        bool(r.way.note), abs(r.error), len(r.writes)))


def _ways(d: Description, slot: SlotDescription, purpose: str, want: Fraction, depth: int,
          output: str = "") -> list[Way]:
    ask = Ask(purpose, want, slot.settings, d.cpu_hz, _sources(d, slot, depth), output)
    return [replace(way, writes=tuple(w if w.slot else replace(w, slot=slot.name)
                                      for w in way.writes))
            for way in slot.card.rates(ask)]


def _sources(d: Description, slot: SlotDescription,
             depth: int) -> Callable[[str, Fraction], list[Way]]:
    slots = {s.name: s for s in d.slots}

    def source(name: str, hertz: Fraction) -> list[Way]:
        number = slot.card.inputs.index(name)
        for wire in d.wires:
            if wire.target == slot.name and wire.input == number:
                if not depth:
                    return []
                other = slots[wire.source]
                output = other.card.outputs[wire.output]
                return [replace(way, words=f"{other.name}.{output} ({way.words})") for way in
                        _ways(d, other, OUTPUT, hertz, depth - 1, output)]
        return _oscillator(d, slot, name)

    return source


def _oscillator(d: Description, slot: SlotDescription, name: str) -> list[Way]:
    """Give the clock that a jumper puts at an input: of its name, or "trigger-0" of trigger0."""
    for jumper in (name, f"{name[:-1]}-{name[-1]}"):
        clock = slot.settings.get(jumper)
        if clock == "cpu":
            clock = d.cpu_hz
        if isinstance(clock, Fraction):
            return [Way(clock, name, f"{slot.name} {jumper} {hertz_words(clock)}")]
    return []


def _port(d: Description, write: Write) -> int | None:
    """Find the port of a register, None when it is not decoded."""
    slot = next(s for s in d.slots if s.name == write.slot)
    number = slot.card.registers.index(write.register)
    return next((row.port for row in slot.ports if row.register == number), None)


def verdict(purpose: str, error: Fraction) -> str:
    """Say how good a rate is."""
    if error == 0:
        return "exact"
    percent = float(error) * 100
    words = f"{percent:+.0f} %" if abs(percent) >= 100 else f"{percent:+.3g} %"
    return f"{words}, too far" if purpose == BAUD and abs(error) > WORST else words
