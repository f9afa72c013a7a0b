"""Change the medium in a drive or socket of a machine that runs."""
from __future__ import annotations

from pathlib import Path

from emu.errors import InputError
from emu.machine.machine import Machine
from emu.media.bay import Original
from emu.media.drive import disk_in
from emu.media.files import open_blocks


def check_bay(machine: Machine, where: str, place: str = "") -> None:
    """See that there is a bay "slot.jumper"; InputError lists those there are."""
    if where not in machine.bays:
        known = ", ".join(machine.bays) or "none is fitted"
        place = f"{place}: " if place else ""
        raise InputError(f"{place}{where}: no drive or socket for a medium; known: {known}.")


def medium_for(machine: Machine, where: str, path: str | None) -> Original | None:
    """Open what is to be put into a bay, "slot.jumper"; InputError when it does not fit."""
    check_bay(machine, where)
    if path is None:
        return None
    name, _, jumper = where.partition(".")
    slot = machine.slot(name)
    declared = next(j for j in slot.card.jumpers if j.name == jumper)
    if declared.kind == "drive":
        return disk_in({**slot.settings[jumper], "medium": path}, where)
    return open_blocks(Path(path), bool(slot.settings.get("write-protect", False)),
                       int(slot.settings.get("blank", 0)))


def change(machine: Machine, where: str, original: Original | None) -> None:
    """Put a medium into a bay now, or take it out (None); the card notices at once."""
    machine.flush()
    machine.bays[where].insert(original)
    number = machine.slot(where.partition(".")[0]).number
    machine.m.medium_wanted |= 1 << number
    with machine.plainly():
        machine.serve()
