"""What differs between two backplane files."""
from __future__ import annotations

from emu.backplane.description import Description, SlotDescription


def _slots(a: SlotDescription, b: SlotDescription) -> list[str]:
    out = []
    if a.card.name != b.card.name:
        return [f"slot {a.name}: {a.card.name} here, {b.card.name} there."]
    for key in a.settings:
        if key not in a.images and a.settings[key] != b.settings[key]:
            out.append(f"slot {a.name}: {key} = {a.settings[key]} here, {b.settings[key]} there.")
    for key in ("waits_io", "waits_mem", "waits_m1"):
        here, there = getattr(a, key), getattr(b, key)
        if here != there:
            out.append(f"slot {a.name}: {key.replace('_', '-')} = {here} here, {there} there.")
    if a.ports != b.ports:
        out.append(f"slot {a.name}: decoded at other ports.")
    digests = {k: i.digest for k, i in a.images.items()}
    if digests != {k: i.digest for k, i in b.images.items()}:
        out.append(f"slot {a.name}: another image.")
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
    for what in ("chain", "floating", "seed", "wires"):
        if getattr(a, what) != getattr(b, what):
            out.append(f"{what}: {getattr(a, what)} here, {getattr(b, what)} there.")
    return sorted(out)
