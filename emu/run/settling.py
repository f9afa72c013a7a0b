"""Let a machine that stands at a boundary be up to date: what was due has happened.

A run that ends at T-state t has not looked around there yet; one that a card's event ended
has.  Both must look the same to a builder, and to a stop, so whatever falls before t is
made to happen here.  By the card contract this changes nothing in what follows.
"""
from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from emu.bus.events import catch_up
from emu.bus.faulty_bus import noisy_nmi
from emu.bus.state import MACHINE
from emu.machine.machine import Machine
from emu.native import jit, units
from emu.native.jit import INT, root

SETTLE = "emu.run.settling.settle"


@root(MACHINE, INT)
def settle(m, _):  # type: ignore[no-untyped-def]
    """Let all events before now happen."""
    catch_up(m, m.t - 1)
    if m.noise_every > 0:
        noisy_nmi(m)
    return 0


def settler(machine: Machine) -> Callable[[], None]:
    """Give a function that brings a machine up to date; it compiles `settle` if need be."""
    function: Callable[[int], Any]
    if jit.plain_python():
        def function(_: int) -> Any:
            return settle(machine.m, np.int64(0))
    else:
        units.load([SETTLE.rpartition(".")[0]])
        call, place = units.callable_root(SETTLE, 1, machine.holding), machine.record.ctypes.data

        def function(_: int) -> Any:
            return call(place, 0)
    return lambda: machine.guarded(function, 0)
