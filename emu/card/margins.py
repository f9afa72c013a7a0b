"""What a card needs served in time, for the page before burning."""
from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Margin:
    """``allowed`` T-states for ``what``; ``used``: the most that the program took of them, or
    None when the card cannot know: then its worst interrupt latency is taken."""

    what: str
    allowed: float
    used: int | None = None
