"""What serial chips complain of, as data."""
from __future__ import annotations

from typing import Any

from peripherals.card import Complaint, roles


def pins(c: Any, part: str, register: str, suffix: str = "") -> list[Complaint]:
    """Give the modem inputs that are not active; ``c`` has cts and dcd, 1 = pin low."""
    return [Complaint(code, part, register, jumper=name + suffix, mend="low")
            for name, code, level in (("cts", roles.CTS_INACTIVE, c.cts),
                                      ("dcd", roles.DCD_INACTIVE, c.dcd)) if not level]


def clock(line: Any, part: str, suffix: str = "") -> list[Complaint]:
    """Give a clock that does not come."""
    return [] if line.running else [Complaint(roles.NO_CLOCK, part, jumper="clock" + suffix)]


def lost(count: int, part: str, register: str) -> list[Complaint]:
    """Give characters lost by overrun."""
    return [Complaint(roles.BYTES_LOST, part, register, count=int(count))] if count else []
