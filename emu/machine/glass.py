"""What the displays of a machine show."""
from __future__ import annotations

from emu.machine.machine import Machine


def shown(machine: Machine) -> dict[str, list[str]]:
    """Give the lines of each card that has a display, by slot."""
    found = {slot.name: slot.card.glass(machine.m, slot.state) for slot in machine.slots}
    return {name: lines for name, lines in found.items() if lines}


def framed(machine: Machine) -> list[str]:
    """Draw each display with a frame that bears its slot's name."""
    out: list[str] = []
    for name, rows in shown(machine).items():
        wide = max(map(len, rows))
        title = f" {name} "[:wide]
        out += ["+" + title + "-" * (wide - len(title)) + "+",
                *(f"|{row:{wide}}|" for row in rows), "+" + "-" * wide + "+"]
    return out
