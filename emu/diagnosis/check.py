"""How a checker is listed."""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from emu.card.cause import STUCK, WILD, Cause
from emu.diagnosis.case import Case
from emu.diagnosis.verdict import Finding


@dataclass(frozen=True)
class Check:
    """A checker of one cause."""

    run: Callable[[Case], Finding | None]
    cause: Cause
    when: tuple[str, ...] = (STUCK, WILD)
    first: bool = False  # True: asked before all others, with trials; a tried cause ends the search
    trial: bool = False  # True: forks or several replays, made only while the budget lasts
    alone: bool = False  # asked only where nothing at all was found
    others: tuple[Cause, ...] = ()  # further causes that it may name
