"""What differs between two backplane files."""
from __future__ import annotations

from fractions import Fraction
from itertools import groupby
from typing import Any

from emu.backplane.description import Description, SlotDescription, Wire
from emu.card.rate_ways import hertz_words
from emu.files.image import Image

NAMED = 3  # stretches of bytes that are named


def _value(value: Any) -> str:
    """Write a setting as the file would: a clock as a frequency."""
    return hertz_words(value) if isinstance(value, Fraction) else str(value)


def _ports(slot: SlotDescription) -> dict[str, str]:
    """Write the ports of each register."""
    registers = slot.card.registers
    return {registers[row.register]: f"{row.port:02X}h" + (
        "" if row.mask in (0xFF, 0xFFFF) else f" (mask {row.mask:02X}h)") for row in slot.ports}


def _decoded(a: SlotDescription, b: SlotDescription) -> list[str]:
    here, there = _ports(a), _ports(b)
    return [f"slot {a.name}: register {name} at {here.get(name, 'no port')} here, at "
            f"{there.get(name, 'no port')} there."
            for name in dict.fromkeys([*here, *there]) if here.get(name) != there.get(name)]


def _contents(a: Image | None, b: Image | None) -> str:
    """Say how two images differ: which is there, or the stretches of bytes that differ."""
    if a is None or b is None:
        return "an image here, none there" if b is None else "no image here, one there"
    left, right = ({at: byte for segment in image.segments
                    for at, byte in enumerate(segment.data, segment.physical)}
                   for image in (a, b))
    other = sorted(at for at in left.keys() | right.keys() if left.get(at) != right.get(at))
    if not other:
        return f"{a.path.name} here, {b.path.name} there, with the same bytes"
    stretches = [[at for _, at in group] for _, group in
                 groupby(enumerate(other), key=lambda pair: pair[1] - pair[0])]
    named = ", ".join(f"{s[0]:04X}h" + (f"-{s[-1]:04X}h" if len(s) > 1 else "")
                      for s in stretches[:NAMED])
    more = f" and {len(stretches) - NAMED} stretches more" if len(stretches) > NAMED else ""
    return (f"{a.path.name} here, {b.path.name} there; {len(other)} byte"
            f"{'s' if len(other) > 1 else ''} of them differ, at {named}{more}")


def _slots(a: SlotDescription, b: SlotDescription) -> list[str]:
    if a.card.name != b.card.name:
        return [f"slot {a.name}: {a.card.name} here, {b.card.name} there."]
    out = []
    files = {jumper.name for jumper in a.card.jumpers if jumper.kind in ("file", "files")}
    for key in a.settings:
        if key not in files and a.settings[key] != b.settings[key]:
            out.append(f"slot {a.name}: {key} = {_value(a.settings[key])} here, "
                       f"{_value(b.settings[key])} there.")
    for key in ("waits_io", "waits_mem", "waits_m1"):
        here, there = getattr(a, key), getattr(b, key)
        if here != there:
            out.append(f"slot {a.name}: {key.replace('_', '-')} = {here} here, {there} there.")
    out += _decoded(a, b)
    for key in dict.fromkeys([*a.images, *b.images]):
        here, there = a.images.get(key), b.images.get(key)
        if here is None or there is None or here.digest != there.digest:
            out.append(f"slot {a.name}: {key}: {_contents(here, there)}.")
    return out


def _wired(d: Description, wires: list[Wire]) -> list[str]:
    cards = {slot.name: slot.card for slot in d.slots}
    return [f"{w.source}.{cards[w.source].outputs[w.output]} to "
            f"{w.target}.{cards[w.target].inputs[w.input]}" for w in wires]


def _plane(a: Description, b: Description) -> list[str]:
    """List what differs in the backplane itself."""
    out = [f"wire {words} only here." for words in
           _wired(a, [w for w in a.wires if w not in b.wires])]
    out += [f"wire {words} only there." for words in
            _wired(b, [w for w in b.wires if w not in a.wires])]
    here, there = ("none" if d.chain is None else " > ".join(d.chain) or "empty" for d in (a, b))
    if here != there:
        out.append(f"chain: {here} here, {there} there.")
    out += [f"{what.replace('_', '-')}: {getattr(a, what)} here, {getattr(b, what)} there."
            for what in ("floating", "seed", "look_ahead") if getattr(a, what) != getattr(b, what)]
    faults = [{str(fault) for fault in d.faults} for d in (a, b)]
    out += [f"fault {fault} only here." for fault in faults[0] - faults[1]]
    out += [f"fault {fault} only there." for fault in faults[1] - faults[0]]
    return out


def differences(a: Description, b: Description) -> list[str]:
    """List what differs, "here" being the first."""
    out = []
    left, right = {s.name: s for s in a.slots}, {s.name: s for s in b.slots}
    for name in left.keys() - right.keys():
        out.append(f"slot {name} ({left[name].card.name}) is fitted only here.")
    for name in right.keys() - left.keys():
        out.append(f"slot {name} ({right[name].card.name}) is fitted only there.")
    for name in [n for n in left if n in right]:
        out.extend(_slots(left[name], right[name]))
    return sorted(out + _plane(a, b))
