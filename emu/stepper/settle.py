"""Let a machine that stands at a boundary be up to date: what was due has happened.

A run that ends at T-state t has not looked around there yet; one that a card's event ended
has.  Both must look the same to a builder, and to a stop, so whatever falls before t is
made to happen here.  By the card contract this changes nothing in what follows.
"""
from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from emu import jit
from emu.events import catch_up
from emu.faulty_bus import noisy_nmi
from emu.jit import INT, root
from emu.machine import Machine
from emu.state import MACHINE

SETTLE = "emu.stepper.settle.settle"


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
        from emu import native

        native.load([SETTLE.rpartition(".")[0]])
        call, place = native.callable_root(SETTLE, 1, machine.holding), machine.record.ctypes.data

        def function(_: int) -> Any:
            return call(place, 0)
    return lambda: machine.guarded(function, 0)
