"""A stepper at a bare machine, and its whole state as something that can be compared."""
from __future__ import annotations

from typing import Any

from cpu_machine import Bare

from emu.bus.state import MACHINE
from emu.stepper.stepper import Stepper
from emu.stepper.watch import Stop, parse

# Not state: how far the host let it run, and what it looks for.
# The bus's last driver and byte are noted off the fast path only, where something needs them.
HOST = {"next_event", "t_stop", "exit_reason", "log", "log_pos", "log_limit", "uid",
        "card_functions", "state_offset",
        "bus_driver", "bus_byte"}
NAMES = [name for name in MACHINE.names[:MACHINE.names.index("log")] if name not in HOST]


def sit(code: str, **registers: Any) -> Stepper:
    """Sit at a bare machine with this code at 0100h."""
    return Stepper(Bare(code, **{"sp": 0x9000, **registers}).machine)


def state(stepper: Stepper) -> dict[str, bytes]:
    """Give all that a replay must bring back, field by field."""
    return {name: stepper.machine.record[name].tobytes() for name in NAMES}


def stop(stepper: Stepper, text: str) -> Stop:
    """Read a stop."""
    return parse(text, stepper.book)


def pc(stepper: Stepper) -> int:
    """Give PC."""
    return int(stepper.m.pc)
