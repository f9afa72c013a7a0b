"""The chronicle of a case's run, made once."""
from __future__ import annotations

import numpy as np

from emu.chronicle.anomalies import Anomaly, anomalies
from emu.chronicle.shadow import EXECUTED
from emu.chronicle.story import watched
from emu.diagnosis.case import Case
from emu.machine.places import place

ASTRAY = ("ff-executed", "unwritten-code", "empty-code")  # code that no program put there
MOST = 300_000_000  # T-states of a run that are looked at again: some three seconds of work


class Chronicle:
    """What went wrong in a run, the earliest first, and the shadow that it left."""

    def __init__(self, case: Case) -> None:
        self.machine = watched(case.session, MOST)
        self.all = anomalies(self.machine)

    def of(self, *kinds: str) -> list[Anomaly]:
        """List the anomalies of some kinds, the earliest first."""
        return [one for one in self.all if one.kind in kinds]

    def before(self, t: int, *kinds: str) -> list[Anomaly]:
        """List those of some kinds that showed first before a T-state."""
        return [one for one in self.of(*kinds) if one.t < t]

    def ran_about(self, address: int) -> bool:
        """Tell whether anything was executed in the 256 bytes about an address."""
        at = place(self.machine, address & 0xFF00)
        if at < 0:
            return False
        flags = np.asarray(self.machine.shadow.byte)[at:at + 0x100]
        return bool((flags & EXECUTED).any())

    def noise(self) -> np.ndarray:
        """List the places in physical memory that held noise at power-on."""
        return self.machine.noise


def chronicle(case: Case) -> Chronicle:
    """Give the chronicle of a case's run."""
    return case.once(Chronicle)
