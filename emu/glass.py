"""What the displays of a machine show."""
from __future__ import annotations

from emu.machine import Machine


def shown(machine: Machine) -> dict[str, list[str]]:
    """Give the lines of each card that has a display, by slot."""
    found = {slot.name: slot.card.glass(machine.m, slot.state) for slot in machine.slots}
    return {name: lines for name, lines in found.items() if lines}


def framed(machine: Machine) -> list[str]:
    """Draw each display with a frame, its slot's name above."""
    out = []
    for name, lines in shown(machine).items():
        bar = "+" + "-" * max(map(len, lines)) + "+"
        out += [f"{name}:", bar, *(f"|{line}|" for line in lines), bar]
    return out
