"""Write a machine's media back to the user's files, as ``--keep`` asks."""
from __future__ import annotations

from emu.errors import InputError
from emu.machine.machine import Machine
from emu.media.files import keep


def keep_media(machine: Machine) -> list[str]:
    """Write back what has changed on a machine's media; the files' paths.

    One that cannot be written does not keep the others from it: then InputError for the first.
    """
    machine.flush()
    kept, errors = [], []
    for bay in [each for b in machine.bays.values() for each in (b, *b.shelved())]:
        try:
            if keep(bay) and bay.original is not None:
                kept.append(str(bay.original.path))
        except InputError as error:
            errors.append(error)
    if errors:
        raise errors[0]
    return kept
