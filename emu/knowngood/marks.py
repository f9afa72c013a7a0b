"""Places in a program whose first run is a milestone."""
from __future__ import annotations

from collections.abc import Sequence

from emu.errors import InputError
from emu.knowngood.busdigest import MARKS
from emu.knowngood.metered import MeteredMachine
from emu.logs import when
from emu.logs.setting import setting_of


def mark(machine: MeteredMachine, places: Sequence[str], option: str) -> dict[int, str]:
    """Let a machine note when places ("shell", "file.s:12", "0x0100") are first run.

    The names come back by number of mark; one name may have several.  A place in an image
    counts where the bus shows its opcode, from its card, at its address.  Raises InputError
    beginning with ``option``.
    """
    setting = setting_of(machine)
    names: dict[int, str] = {}
    for text in places:
        for slot, place in when.places(option, text, setting):
            opcode = -1
            if place.physical is not None:
                opcode = int(machine.m.phys[setting.bases[slot] + place.physical])
            if len(names) == MARKS:
                raise InputError(f"{option} {text}: is one place too many; a record takes "
                                 f"{MARKS}.")
            names[len(names)] = text
            machine.mark(place.virtual, slot + 1 if slot >= 0 else -1, opcode)
    return names
