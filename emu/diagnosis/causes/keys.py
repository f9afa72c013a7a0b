"""What comes of a key where it reaches nobody: a storm of interrupts."""
from __future__ import annotations

from emu.card.cause import STUCK
from emu.diagnosis.case import Case
from emu.diagnosis.causes.storm import INTERRUPT_STORM, storm, storming
from emu.diagnosis.check import Check
from emu.diagnosis.evidence.bus_window import forked, look
from emu.diagnosis.trials.proof import typed
from emu.diagnosis.verdict import Finding
from emu.run.console import channels


def storm_at_a_key(case: Case) -> Finding | None:
    """Check whether a key typed in a copy of the machine brings a storm: it reaches nobody."""
    for channel in channels(case.machine):
        with forked(case.machine) as machine:
            typed(case.session, channel.name)(machine)
            window = look(machine, machine.at(0.02))
            if storming(window):
                found = storm(case, window)
                found.evidence.insert(0, f"It stands still until a key comes; one was typed at "
                                         f"{channel.name} in a copy of the machine.")
                return found
    return None


CHECKS = (Check(storm_at_a_key, INTERRUPT_STORM, (STUCK,), trial=True),)
